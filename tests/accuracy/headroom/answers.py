"""What the classifiers would say of a dump, held against its truth as the analyser's verdict is."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from memdiag.model import Board, Place
from memdiag.reading.load import Unreadable
from tests.accuracy.headroom.examples import read
from tests.accuracy.headroom.learning import Classifier
from tests.accuracy.headroom.numbers import Floats
from tests.accuracy.headroom.places import Dump
from tests.accuracy.headroom.truths import OWN, So
from tests.accuracy.matching import matches
from tests.accuracy.parallel import spread
from tests.simulator import scenes
from tests.simulator.truth import Truth

SAID = 0.5
"""A place is named that is more probably at fault than not: a guess is no reading of a dump."""


@dataclass(frozen=True)
class Suspect:
    """A place, the probability of a fault of its own, and the likeliest cause of one."""

    place: Place
    fault: float
    cause: str


@dataclass(frozen=True)
class Answer:
    """What the classifiers made of one truth: whether they named its place, and its cause."""

    place: bool = False
    cause: bool = False


@dataclass(frozen=True)
class Asked:
    """A dump to be answered; without one where it cannot be read."""

    truth: tuple[Truth, ...]
    board: Board
    dump: Dump | None = None
    read_as: Board | None = None


def measure(
    seeds: Sequence[int], classifiers: Mapping[str, Classifier], processes: int, **filters: object
) -> list[tuple[Answer, ...]]:
    """Of every scene of these seeds, one answer for each of its truths."""
    asked = spread(_ask, [(seed, filters) for seed in seeds], processes)
    print(f"headroom: {len(asked)} scenes put into numbers", file=sys.stderr)
    return answered(asked, classifiers)


def _ask(job: tuple[int, dict[str, object]]) -> Asked:
    seed, filters = job
    scene = scenes.draw(seed, **filters)  # type: ignore[arg-type]
    try:
        dump, board = read(scene)
    except Unreadable:
        return Asked(scene.truth, scene.board)
    return Asked(scene.truth, scene.board, dump, board)


def answered(
    asked: Sequence[Asked], classifiers: Mapping[str, Classifier]
) -> list[tuple[Answer, ...]]:
    """The answers to all dumps; every classifier is asked once, of all places together."""
    dumps = [one.dump for one in asked if one.dump is not None]
    found = {
        kind: _asked_once(classifiers[kind], [getattr(d, f"of_{kind}") for d in dumps])
        for kind in classifiers
    }
    each = iter(zip(*found.values(), strict=True))
    answers = []
    for one in asked:
        if one.dump is None or one.read_as is None:
            answers.append(tuple(Answer() for _ in one.truth))
            continue
        by_kind = dict(zip(found, next(each), strict=True))
        ranked = suspects(one.dump, by_kind, one.read_as)
        answers.append(judged(ranked, one.truth, one.board))
    return answers


def _asked_once(classifier: Classifier, tables: Sequence[Floats]) -> list[Floats]:
    if not tables:
        return []
    ends = np.cumsum([len(table) for table in tables])
    return np.split(classifier.probabilities(np.concatenate(tables)), ends[:-1])


def suspects(dump: Dump, probabilities: Mapping[str, Floats], board: Board) -> list[Suspect]:
    """The places of a dump, those most probably at fault first."""
    found = [_site(ref, row) for ref, row in zip(dump.sites, probabilities["sites"], strict=True)]
    found += _rails(dict(zip(dump.rails, probabilities["rails"][:, So.SUPPLY], strict=True)), board)
    lost = probabilities["channels"][:, So.CONTROLLER]
    found += _controller(dict(zip(dump.channels, lost, strict=True)), board)
    return sorted(found, key=lambda s: -s.fault)


def _site(ref: str, row: Floats) -> Suspect:
    causes: dict[str, float] = {}
    for so in OWN:
        causes[so.cause] = causes.get(so.cause, 0.0) + float(row[so])
    return Suspect(Place(ref), sum(causes.values()), max(causes, key=causes.__getitem__))


def _rails(low: Mapping[str, float], board: Board) -> list[Suspect]:
    """Of rails that feed the same sites the likeliest: they are one suspect."""
    found: dict[object, Suspect] = {}
    for name, fault in sorted(low.items(), key=lambda p: -p[1]):
        found.setdefault(board.sites_on_rail(name), Suspect(Place(rail=name), fault, "supply"))
    return list(found.values())


def _controller(lost: Mapping[object, float], board: Board) -> list[Suspect]:
    """The likeliest channel of each block; the likeliest of all where most are lost together."""
    block = {c: s.partition for s in board.sites for c in s.channels}
    together = sum(fault >= SAID for fault in lost.values()) > len(lost) / 2
    found: dict[object, Suspect] = {}
    for channel, fault in sorted(lost.items(), key=lambda p: (-p[1], str(p[0]))):
        of_block = block.get(channel)  # type: ignore[call-overload]
        key = "all" if together else ("channel", channel) if of_block is None else of_block
        found.setdefault(key, Suspect(Place(channel=channel), fault, "controller"))  # type: ignore[arg-type]
    return list(found.values())


def judged(ranked: Sequence[Suspect], truth: Sequence[Truth], board: Board) -> tuple[Answer, ...]:
    """An answer for each truth, scored as a verdict is: as many places count as faults can be
    seen, and the cause is that of the first place that is right."""
    said = [s for s in ranked if s.fault >= SAID]
    top = said[: max(1, sum(t.visible and not t.expected for t in truth))]
    return tuple(_answer(one, said, top, board) for one in truth)


def _answer(truth: Truth, said: Iterable[Suspect], top: Iterable[Suspect], board: Board) -> Answer:
    here = next((s for s in said if matches(s.place, truth, board)), None)
    if here is None:
        return Answer()
    causes = {*truth.causes, *(("supply",) if _is_its_rail(here.place, truth) else ())}
    place = any(matches(s.place, truth, board) for s in top)
    return Answer(place, here.cause in causes)


def _is_its_rail(place: Place, truth: Truth) -> bool:
    """A shorted package may be named by the rail it pulls down."""
    return truth.kind == "short-package" and place.rail == truth.rail
