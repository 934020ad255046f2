"""What the meter says, from made-up probabilities: who knows the truth is right about all of it."""

from __future__ import annotations

import numpy as np
import pytest

from memdiag.model import Place
from tests.accuracy.headroom import answers, truths
from tests.accuracy.headroom.answers import Answer, Asked, Suspect
from tests.accuracy.headroom.examples import WIDTHS, read
from tests.accuracy.headroom.numbers import Floats
from tests.accuracy.headroom.places import Dump
from tests.accuracy.headroom.truths import So
from tests.simulator import scenes
from tests.simulator.scenes import Scene

SEEDS = range(20_000, 20_060)


class Told:
    """A classifier that says what it was told, one answer after the other."""

    def __init__(self, said: list[So], sure: float = 1.0) -> None:
        self.said, self.sure = said, sure

    def probabilities(self, rows: Floats) -> Floats:
        assert len(rows) == len(self.said)
        found = np.zeros((len(rows), len(So)))
        found[:, So.HEALTHY] = 1 - self.sure
        found[np.arange(len(rows)), self.said] += self.sure
        return found


def asked(scene: Scene) -> Asked:
    dump, board = read(scene)
    return Asked(scene.truth, scene.board, dump, board)


def classes(one: Asked) -> tuple[list[So], list[So], list[So]]:
    assert one.dump is not None and one.read_as is not None
    d = one.dump
    return truths.classes(d.sites, d.rails, d.channels, one.truth, one.read_as)


def all_of(many: list[Asked], sure: float) -> list[tuple[Answer, ...]]:
    by_scene = [classes(one) for one in many]
    told = {
        kind: Told([so for of_scene in by_scene for so in of_scene[k]], sure)
        for k, kind in enumerate(WIDTHS)
    }
    return answers.answered(many, told)  # type: ignore[arg-type]


def test_who_knows_the_truth_is_right_and_who_doubts_it_says_nothing() -> None:
    many = [asked(scenes.draw(seed, known=True, dirt=False)) for seed in SEEDS]
    right = all_of(many, 1.0)
    counted = [
        (truth, answer)
        for one, of_scene in zip(many, right, strict=True)
        for truth, answer in zip(one.truth, of_scene, strict=True)
        if truth.visible and truth.located and not truth.expected
    ]
    assert len(counted) > 30
    assert [str(t) for t, a in counted if a != Answer(True, True)] == []
    nobody = [a for of_scene in all_of(many, 0.4) for a in of_scene]
    assert set(nobody) == {Answer()}


def test_a_dump_that_cannot_be_read_has_no_answers() -> None:
    good = asked(next(s for s in map(scenes.draw, SEEDS) if s.truth))
    unread = Asked(good.truth, good.board)
    found = all_of([good], 1.0)
    told = {kind: Told(so) for kind, so in zip(WIDTHS, classes(good), strict=True)}
    assert answers.answered([unread, good, unread], told) == [  # type: ignore[arg-type]
        tuple(Answer() for _ in good.truth),
        *found,
        tuple(Answer() for _ in good.truth),
    ]


def test_only_as_many_places_count_as_there_are_faults() -> None:
    scene = next(
        s
        for s in (scenes.draw(k, kind="missing", bare=False, dirt=False) for k in SEEDS)
        if s.truth[0].visible and len(s.board.sites) > 2
    )
    true = scene.truth[0]
    other = next(s.ref for s in scene.board.sites if s.ref != true.site)
    first = Suspect(Place(other), 0.9, "missing")
    second = Suspect(Place(true.site), 0.8, "missing")
    assert answers.judged([second, first], [true], scene.board) == (Answer(True, True),)
    assert answers.judged([first, second], [true], scene.board) == (Answer(False, True),)
    doubted = Suspect(Place(true.site), 0.4, "missing")
    assert answers.judged([doubted], [true], scene.board) == (Answer(),)


def test_rails_that_feed_the_same_and_channels_lost_together_are_one_suspect() -> None:
    scene = next(s for s in map(scenes.draw, range(200)) if s.known and len(s.board.partitions) > 2)
    board = scene.board
    rails = [r.name for r in board.rails if r.feeds == "packages"]
    channels = board.channels
    empty = np.zeros((0, 0))
    dump = Dump((), empty, tuple(rails), empty, channels, empty)

    def lost(*which: object) -> list[Suspect]:
        shares = np.zeros((len(channels), len(So)))
        for channel in which:
            shares[channels.index(channel), So.CONTROLLER] = 0.9  # type: ignore[arg-type]
        low = np.zeros((len(rails), len(So)))
        low[:, So.SUPPLY] = 0.8
        told = {"sites": np.zeros((0, len(So))), "rails": low, "channels": shares}
        return [s for s in answers.suspects(dump, told, board) if s.fault >= answers.SAID]

    fed = {board.sites_on_rail(name) for name in rails}
    assert sum(s.place.rail is not None for s in lost()) == len(fed)
    block = next(iter(board.partitions.values()))
    inside = [c for site in block for c in site.channels]
    assert sum(s.cause == "controller" for s in lost(*inside)) == 1
    assert sum(s.cause == "controller" for s in lost(*channels)) == 1


def test_causes_of_one_word_are_added_up() -> None:
    row = np.zeros(len(So))
    row[[So.HEALTHY, So.MISSING, So.PINS, So.ARRAY]] = 0.2, 0.3, 0.25, 0.25
    board = scenes.draw(20_000).board
    dump = Dump((board.sites[0].ref,), np.zeros((1, 1)), (), np.zeros((0, 1)), (), np.zeros((0, 1)))
    none = np.zeros((0, len(So)))
    (only,) = answers.suspects(dump, {"sites": row[None], "rails": none, "channels": none}, board)
    assert only.cause == "weak" and only.fault == pytest.approx(0.8)


def test_a_ball_or_the_controller_of_a_channel_of_one_package_is_one_place() -> None:
    scene = scenes.draw(20_000, family="gddr6", sites=4, known=True)
    board = scene.board
    ref, channel = board.sites[0].ref, board.sites[0].channels[-1]
    rows = np.zeros((1, len(So)))
    rows[0, [So.COMMAND, So.CONTROLLER, So.HEALTHY]] = 0.45, 0.4, 0.15
    shares = np.zeros((len(board.channels), len(So)))
    shares[board.channels.index(channel), So.CONTROLLER] = 0.4
    empty = np.zeros((0, 0))
    dump = Dump((ref,), empty, (), empty, board.channels, empty)
    told = {"sites": rows, "rails": np.zeros((0, len(So))), "channels": shares}
    (only,) = answers.suspects(dump, told, board)
    assert only.place == Place(ref, channel) and only.cause == "joint"
    assert only.fault == pytest.approx(0.85)
