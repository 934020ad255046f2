"""The numbers made of a dump: nothing that is said is lost, nothing unsaid is a number, and no
order of rows matters."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.model import Board, Run
from memdiag.model.error_log import ErrorLog
from memdiag.reading.load import load
from tests.accuracy.headroom.places import CHANNEL_NAMES, RAIL_NAMES, SITE_NAMES, Dump, dump_of
from tests.simulator import scenes
from tests.simulator.boards import quince
from tests.simulator.scenes import Scene

SEEDS = range(20_000, 20_012)


def run_of(scene: Scene) -> Run:
    return load(scene.text, board=scene.board)[0]


def drawn(seed: int, **habits: Any) -> Scene:
    return scenes.draw(seed, dirt=False, known=True, candidates=False, **habits)


def number(dump: Dump, site: str, name: str) -> float:
    return float(dump.of_sites[dump.sites.index(site), SITE_NAMES.index(name)])


def test_every_number_has_one_name() -> None:
    for names in (SITE_NAMES, RAIL_NAMES, CHANNEL_NAMES):
        assert len(set(names)) == len(names)


@pytest.mark.parametrize("seed", SEEDS)
def test_numbers_are_finite_or_not_said(seed: int) -> None:
    scene = drawn(seed)
    dump = dump_of(run_of(scene), scene.board)
    off = {t.site for t in scene.truth if t.expected}
    assert set(dump.sites) == {s.ref for s in scene.board.sites} - off
    assert dump.of_sites.shape == (len(dump.sites), len(SITE_NAMES))
    assert dump.of_rails.shape == (len(dump.rails), len(RAIL_NAMES))
    assert dump.of_channels.shape == (len(dump.channels), len(CHANNEL_NAMES))
    for made in (dump.of_sites, dump.of_rails, dump.of_channels):
        assert not np.isinf(made).any()
        assert np.isfinite(made).any(axis=1).all()


@pytest.mark.long
def test_every_number_is_said_by_some_dump() -> None:
    """A name that nothing ever fills is a name misspelt."""
    filled = [np.zeros(len(n), bool) for n in (SITE_NAMES, RAIL_NAMES, CHANNEL_NAMES)]
    loud = {"directions": True, "cells": True, "cell_columns": True, "height": True}
    loud |= {"delay": True, "windows": True, "temps": (30.0, 75.0), "rails": True, "heat": True}
    for seed in range(20_000, 20_090):
        wide = {"detail": "channel", "count_detail": "channel", "names": False}
        scene = drawn(seed, values=True, **loud, **(wide if seed % 3 == 0 else {}))
        dump = dump_of(run_of(scene), scene.board)
        tables = (dump.of_sites, dump.of_rails, dump.of_channels)
        filled = [
            said | np.isfinite(made).any(axis=0) for said, made in zip(filled, tables, strict=True)
        ]
    for said, names in zip(filled, (SITE_NAMES, RAIL_NAMES, CHANNEL_NAMES), strict=True):
        empty = [n for n, s in zip(names, said, strict=True) if not s]
        assert not [n for n in empty if not n.startswith("apart ")]  # it takes three lanes


@pytest.mark.parametrize("seed", SEEDS)
def test_the_order_of_rows_and_sites_does_not_matter(seed: int) -> None:
    scene = drawn(seed)
    run = run_of(scene)
    rng = random.Random(seed)
    mixed = replace(
        run,
        training=_mixed(rng, run.training),
        counts=_mixed(rng, run.counts),
        rails=_mixed(rng, run.rails),
        heat=_mixed(rng, run.heat),
        errors=None if run.errors is None else _words_mixed(rng, run.errors),
    )
    board = replace(scene.board, sites=_mixed(rng, scene.board.sites))
    one, two = dump_of(run, scene.board), dump_of(mixed, board)
    for ours, theirs, of in (
        (one.sites, two.sites, "of_sites"),
        (one.rails, two.rails, "of_rails"),
        (one.channels, two.channels, "of_channels"),
    ):
        assert set(ours) == set(theirs)
        order = [list(theirs).index(name) for name in ours]  # type: ignore[arg-type]
        np.testing.assert_allclose(getattr(two, of)[order], getattr(one, of), rtol=1e-9, atol=1e-9)


def _mixed(rng: random.Random, rows: Sequence[Any]) -> tuple[Any, ...]:
    return tuple(rng.sample(list(rows), len(rows)))


def _words_mixed(rng: random.Random, log: ErrorLog) -> ErrorLog:
    order = np.array(rng.sample(range(len(log)), len(log)), int)
    arrays = {
        name: value[order]
        for name in log.__slots__
        if isinstance(value := getattr(log, name), np.ndarray)
    }
    return replace(log, **arrays)


TWO = """bench-dump 1
[training]
site ch lane step result width
{training}
[counts]
site ch lane bits errors rose fell
{counts}
"""


def by_hand(board: Board, **said: str) -> Dump:
    text = TWO.format(**{"training": "", "counts": "", **said})
    return dump_of(load(text, board=board)[0], board)


def test_what_a_row_says_is_the_number_made_of_it() -> None:
    board: Board = quince("quince-2")
    first, second = (s.ref for s in board.sites)
    channel = {s.ref: s.channels[0] for s in board.sites}
    train = [f"{ref} {channel[ref]} 0 read pass 0.40UI" for ref in (first, second)]
    train.append(f"{first} {channel[first]} 1 read fail 0.20UI")
    count = f"{second} {channel[second]} 0 1000000 99 75 24"
    dump = by_hand(board, training="\n".join(train), counts=count)
    assert number(dump, first, "read fail") == 0.5 and number(dump, second, "read fail") == 0
    # of 0.4, 0.4 and 0.2 the upper quartile is 0.4; half of it is ln 0.5
    assert number(dump, first, "least read") == pytest.approx(np.log(0.5))
    assert number(dump, second, "most read") == pytest.approx(0)
    assert number(dump, second, "mean rate") == pytest.approx(np.log10(99.3e-6))
    assert number(dump, second, "mean rose") == pytest.approx(75 / 99)
    assert np.isnan(number(dump, first, "mean rate"))  # nobody counted there
    assert number(dump, first, "others mean rate") == pytest.approx(np.log10(99.3e-6))
    assert number(dump, second, "mean zero") == 0


def test_a_site_without_a_row_is_silent_and_not_a_zero() -> None:
    board = profiles.read("samples/boards/quince-2.toml")
    first, second = board.sites
    row = f"{first.ref} {first.channels[0]} 0 1000000 0 0 0"
    dump = by_hand(board, counts=row)
    assert number(dump, second.ref, "silent") == 1 and number(dump, first.ref, "silent") == 0
    assert number(dump, second.ref, "heard") == 0
    assert np.isnan(number(dump, second.ref, "mean errors"))
    assert number(dump, first.ref, "mean errors") == 0


def test_the_widest_eye_of_the_last_attempt_is_the_eye() -> None:
    board = quince("quince-2")
    at = f"{board.sites[0].ref} {board.sites[0].channels[0]}"
    head = "bench-dump 1\n[training]\nsite ch lane step result width attempt candidate\n"
    rows = [
        f"{at} 0 read pass 0.90UI 1 0",
        f"{at} 0 read pass 0.20UI 2 0",
        f"{at} 0 read not-found - 2 1",
        f"{at} 1 read pass 0.20UI 2 0",
    ]
    for order in (rows, rows[::-1]):
        (run,) = load(head + "\n".join(order) + "\n", board=board)
        dump = dump_of(run, board)
        # both lanes show 0.2 in the last attempt: none is thinner than its peers
        assert number(dump, board.sites[0].ref, "least read") == pytest.approx(0)
