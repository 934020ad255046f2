"""What the classifiers would say of a dump, held against its truth as the analyser's verdict is."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct

from memdiag.model import Board, Channel, Place
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


class Suspect(Struct, frozen=True):
    """A place, the probability of a fault of its own, and the likeliest cause of one."""

    place: Place
    fault: float
    cause: str


class Answer(Struct, frozen=True):
    """What the classifiers made of one truth: whether they named its place, and its cause."""

    place: bool = False
    cause: bool = False


class Asked(Struct, frozen=True):
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
    low = dict(zip(dump.rails, probabilities["rails"][:, So.SUPPLY], strict=True))
    lost = dict(zip(dump.channels, probabilities["channels"][:, So.CONTROLLER], strict=True))
    of_blocks, struck = _controller(lost, board)
    found = [*of_blocks, *_rails(low, board)]
    for ref, row in zip(dump.sites, probabilities["sites"], strict=True):
        causes = (*OWN, So.CONTROLLER) if _alone(ref, board) and ref not in struck else OWN
        found.append(_site(ref, row, causes, lost, board))
    return sorted(found, key=lambda s: -s.fault)


def _alone(ref: str, board: Board) -> bool:
    """Whether no other site has a part in any of its channels: whatever is wrong with one of them,
    a package, a ball or the controller, is in one place."""
    here = board.site(ref)
    own = set() if here is None else set(here.channels)
    return all(own.isdisjoint(s.channels) for s in board.sites if s.ref != ref)


def _site(
    ref: str, row: Floats, causes: Iterable[So], lost: Mapping[Channel, float], board: Board
) -> Suspect:
    """A site, with the channel of it that the controller has lost if any."""
    words: dict[str, float] = {}
    for so in causes:
        words[so.cause] = words.get(so.cause, 0.0) + float(row[so])
    here = board.site(ref)
    own = () if here is None else [c for c in here.channels if c in lost]
    channel = max(own, key=lost.__getitem__, default=None)
    return Suspect(Place(ref, channel), sum(words.values()), max(words, key=words.__getitem__))


def _rails(low: Mapping[str, float], board: Board) -> list[Suspect]:
    """Of rails that feed the same sites the likeliest: they are one suspect."""
    found: dict[object, Suspect] = {}
    for name, fault in sorted(low.items(), key=lambda p: -p[1]):
        found.setdefault(board.sites_on_rail(name), Suspect(Place(rail=name), fault, "supply"))
    return list(found.values())


def _controller(
    lost: Mapping[Channel, float], board: Board
) -> tuple[list[Suspect], frozenset[str]]:
    """The blocks of the controller that are lost to several sites, or the likeliest where most are
    lost together; and the sites that these strike."""
    block = {c: s.partition for s in board.sites for c in s.channels}
    hot = [c for c in sorted(lost, key=lambda c: (-lost[c], str(c))) if lost[c] >= SAID]
    together = len(hot) > len(lost) / 2
    blocks: dict[object, list[Channel]] = {}
    for channel in hot:
        of_block = block.get(channel)
        key = "all" if together else ("channel", channel) if of_block is None else of_block
        blocks.setdefault(key, []).append(channel)
    found, struck = [], set()
    for channels in blocks.values():
        sites = {s.ref for s in board.sites if not set(channels).isdisjoint(s.channels)}
        if len(sites) > 1:
            first = channels[0]
            part = block.get(first) if len(channels) > 1 else None
            place = Place(channel=first) if part is None else Place(partition=part)
            found.append(Suspect(place, float(lost[first]), "controller"))
            struck |= sites
    return found, frozenset(struck)


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
