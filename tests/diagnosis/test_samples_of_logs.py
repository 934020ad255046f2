"""An error log and its thinned copies: the same verdict, at about the same figures.

A log may be thinned by us (too many rows to hold: whole addresses are left out by a hash) or by the
rig (it stops after so many rows). Neither may turn one fault into another. Counts of what was left
out are known on the average only: as of any sample, within a few times the square root.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.evidence.measurements import measure
from memdiag.model import Finding, Run, Verdict
from memdiag.reading import error_log_builder
from memdiag.reading.load import load

HEAD = "bench-dump 1\n[run]\nboard quince-12\n[errors]\nsite ch lane address wrote read edc pass\n"
Ints = npt.NDArray[np.int64]
Words = tuple[Ints, Ints, Ints, str]
"""Addresses, words written, words read, and what the link check said."""

N = 20_000

NEAR = 0.075
"""Probabilities of one fault by the whole log and by a part of it differ by less."""


def open_line(rng: np.random.Generator, bits: int = 34) -> Words:
    """A line that reads one, wherever the test is: an address comes again by chance alone."""
    wrote = rng.integers(0, 256, N) & ~8
    return rng.integers(0, 1 << (bits - 6), N) << 6, wrote, wrote | 8, "bad"


def open_line_in_a_small_test(rng: np.random.Generator) -> Words:
    """The same in two megabytes: each row of the memory is met many times."""
    return open_line(rng, 21)


def one_row(rng: np.random.Generator) -> Words:
    """Cells of eight rows in each bank, time and again."""
    wrote = rng.integers(0, 256, N)
    bit = 1 << rng.integers(0, 8, N)
    return rng.integers(0, 1 << 12, N) << 6 | 5 << 22, wrote, wrote ^ bit, "ok"


def weak_cells(rng: np.random.Generator) -> Words:
    """Five hundred cells anywhere, each time one line of theirs."""
    which = rng.integers(0, 500, N)
    cells, bits = rng.integers(0, 1 << 28, 500) << 6, 1 << rng.integers(0, 8, 500)
    wrote = rng.integers(0, 256, N)
    return cells[which], wrote, wrote ^ bits[which], "ok"


def stride(rng: np.random.Generator) -> Words:
    """A line disturbed at a constant distance of addresses."""
    wrote = rng.integers(0, 256, N)
    return np.arange(N) * 0xD1B80 & ~63, wrote, wrote ^ 16, "bad"


KINDS: tuple[Callable[[np.random.Generator], Words], ...] = (
    open_line,
    open_line_in_a_small_test,
    one_row,
    weak_cells,
    stride,
)


def rows(words: Words, beside: int) -> list[str]:
    """The rows of one lane of U3, and a few of a lane of U9 between them."""
    *columns, check = words
    made = [
        f"U3 4 1 {a:#012x} {w:#04x} {r:#04x} {check} {i}"
        for i, (a, w, r) in enumerate(zip(*(c.tolist() for c in columns), strict=True))
    ]
    for i in range(beside):
        made.insert(997 * i, f"U9 16 0 {i << 16:#012x} 0x00 0x{1 << i % 8:02x} ok 0")
    return made


def judged(lines: list[str]) -> tuple[Run, Verdict]:
    (run,) = load(HEAD + "\n".join(lines) + f"\n[end] {len(lines)}\n")
    return run, judge(run, profiles.for_run(run)[0])


def at_u3(verdict: Verdict) -> Finding:
    (found,) = (f for f in verdict.findings if f.place.site == "U3")
    return found


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.__name__)
@given(st.integers(0, 2**32), st.sampled_from([6_000, 2_500]))
@settings(max_examples=3, deadline=None, phases=[Phase.generate])
def test_what_is_left_out_changes_no_verdict(
    kind: Callable[[np.random.Generator], Words], seed: int, most: int
) -> None:
    lines = rows(kind(np.random.default_rng(seed)), beside=20)
    whole, of_all = judged(lines)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(error_log_builder, "MOST_LOG_ROWS", most)
        thinned, of_some = judged(lines)
    assert whole.errors is not None and thinned.errors is not None
    assert len(thinned.errors) <= most < len(whole.errors)
    assert thinned.errors.total == whole.errors.total
    some, all_ = at_u3(of_some), at_u3(of_all)
    assert (some.cause, some.place) == (all_.cause, all_.place)
    assert abs(some.probability - all_.probability) < NEAR
    tallies = [
        {t.place: t for t in measure(run, profiles.for_run(run)[0]).tallies}
        for run in (whole, thinned)
    ]
    assert set(tallies[0]) == set(tallies[1])
    for place, exact in tallies[0].items():
        about = tallies[1][place]
        # The rows that are left are addresses drawn by chance, each with all of its words.
        held = about.cells * thinned.errors.share
        near = 6 / held**0.5
        assert about.cells == pytest.approx(exact.cells, rel=near)
        assert about.rows == pytest.approx(exact.rows, rel=2 * near)
        assert about.wrong.sum() == pytest.approx(exact.wrong.sum(), rel=2 * near)
        if exact.rows < 100:  # a lane with a few rows keeps them all, beside one with very many
            assert (about.rows, about.cells) == (exact.rows, exact.cells)


@pytest.mark.parametrize("kind", KINDS[:-1], ids=lambda k: k.__name__)
@given(st.integers(0, 2**32), st.sampled_from([2, 5, 10]))
@settings(max_examples=3, deadline=None, phases=[Phase.generate])
def test_a_list_of_fewer_words_has_the_same_fault(
    kind: Callable[[np.random.Generator], Words], seed: int, fewer: int
) -> None:
    """A rig that prints every so manieth word: no more than chance tells them apart."""
    lines = rows(kind(np.random.default_rng(seed)), beside=0)
    _, of_all = judged(lines)
    _, of_some = judged(lines[::fewer])
    some, all_ = at_u3(of_some), at_u3(of_all)
    assert (some.cause, some.place) == (all_.cause, all_.place)
    assert some.probability <= all_.probability + NEAR
