"""Measurements -> nodes: everything the dump says, each at the place it says it of."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from statistics import median
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace

from memdiag.evidence import coverage, same_counts, training_steps, unsaid
from memdiag.evidence.counted import MIN_TALLIED, add_counts, add_lines, is_rubbish, many_lines
from memdiag.evidence.delay_steps import delays
from memdiag.evidence.eyes import Peers, add_widths
from memdiag.evidence.gathered import Evidence, at_owner, owners_of
from memdiag.evidence.measurements import Measured, Measurements, StepOutcome
from memdiag.evidence.nodes import Array, Node, Way, by_state, of_line
from memdiag.evidence.readings import rails, shapes, voltages, warmth
from memdiag.evidence.training_steps import WAYS
from memdiag.model import LANE_LINES, Board, Place, Quote, Result
from memdiag.model.figures import Table

Source = Callable[[Measurements, Evidence], None]
"""Adds what one kind of reading says, as nodes or to nodes that are there. Sources come after all
that the rows of the links say, and none needs another."""

SOURCES: tuple[Source, ...] = (shapes, rails, voltages, warmth, delays, same_counts.same_counts)


def gather(
    measured: Measurements, thin_ui: float | None = None, sources: Sequence[Source] = SOURCES
) -> Evidence:
    """All nodes of a run. `thin_ui`: the absolute limit of an eye width, where the shop or the
    profile sets one. `sources`: the readings that are asked beside the rows of the links."""
    board = measured.board
    peers = Peers(measured, thin_ui or board.thin_ui)
    habits = coverage.habits(measured)
    counted = same_counts.counted(measured)
    equal = same_counts.equal_links(counted, board)
    counts = coverage.counts_of_what_erred(measured)
    by_line = bool(counts) and all(row.place.line is not None for row in counts)
    without = _without_setting(measured)
    all_links = _AllLinks(
        peers,
        measured.run.head.memory or board.memory,
        habits,
        board if by_line else None,
        frozenset(equal),
        without,
        tuple(place for place in without if coverage.is_wide(place)),
    )
    nodes: list[Node] = []
    for group in measured:
        owners = owners_of(group.place, board)
        if owners:
            nodes += _places(group, owners, all_links)
    nodes += unsaid.without_error(measured, nodes)
    nodes += unsaid.passed(measured, nodes, peers)
    nodes = _by_sequence(nodes)
    evidence = Evidence(
        nodes,
        erring=_erring(measured, board),
        counted=counted,
        equal=equal,
        habits=habits,
        thin_eyes=tuple(peers.thin()),
        kept=tuple(p for _, _, p in peers.kept),
    )
    evidence.notes += [_habit(step) for step in sorted(habits)]
    for source in sources:
        source(measured, evidence)
    spoken = {site for node in nodes for site in node.sites}
    evidence.silent_sites = tuple(s.ref for s in board.sites if s.ref not in spoken)
    exposures = [n for group in measured if (n := group.totals["bits"]) is not None and n > 0]
    evidence.bits_per_lane = float(median(exposures)) if exposures else None
    return evidence


def _erring(measured: Measurements, board: Board) -> frozenset[str]:
    """The sites that a link with errors may mean."""
    return frozenset(
        ref
        for m in measured
        if m.tally is not None or m.totals["errors"] or m.totals["edc"]
        for ref in owners_of(m.place, board)
    )


def _habit(step: str) -> str:
    return (
        f"{step} fails on every lane on which the data steps work: that is the rig's "
        "habit, not this board's fault"
    )


class _AllLinks(NamedTuple):
    """What is known of all links of a run before one of them is looked at."""

    peers: Peers
    memory: str | None
    habits: frozenset[str]
    """Steps that the rig fails whatever lies on the board."""
    erring: Board | None
    """The board, where counts name the data lines that erred and no others."""
    equal: frozenset[Place]
    """The lanes that err equally often."""
    without: frozenset[Place]
    """Where a step that sets the data up found no setting."""
    wide: tuple[Place, ...]
    """Those of them that may be several lanes."""


def _places(group: Measured, owners: tuple[str, ...], run: _AllLinks) -> list[Node]:
    peers, memory = run.peers, run.memory
    at = at_owner(group.place, owners)
    place, boot = Node("place", owners, at), Node("boot", owners, at)
    lines: dict[int, Node] = {}

    def line(dq: int) -> Node:
        return lines.setdefault(dq, Node("line", owners, replace(at, dq=dq)))

    steps = [outcome for outcome in group.steps if outcome.step not in run.habits]
    _steps(steps, place, boot, line, peers)
    add_widths(group.place, place, line, peers)
    if _runs_untrained(group, run):
        _count_untrained(group, place, line, memory, peers)
    else:
        tallied = add_lines(group, line, memory, run.erring)
        apart = place.blank()
        add_counts(group, apart, memory, peers, lines_known=tallied)
        if at in run.equal:
            # One wrong bit for all of them has one rate and one way, which is said once.
            apart.as_one_of(len(run.equal), MOST_ONCE)
        place.add_node(apart)
    if len(lines) == LANE_LINES:
        _no_line_of_it(place, list(lines.values()))
    by_line = any(eye.dq is not None for eyes in peers.eyes[group.place].values() for eye in eyes)
    _share_one_voice(list(lines.values()), by_line)
    return [n for n in (place, *lines.values(), boot) if n.spoken]


def _without_setting(measured: Measurements) -> frozenset[Place]:
    """The places where a step that sets the data up found no setting or was not run."""
    return frozenset(
        m.place for m in measured if any(m.results.get(s) in _NO_SETTING for s in SETS_DATA)
    )


def _runs_untrained(group: Measured, run: _AllLinks) -> bool:
    """Whether a lane has no setting, or a wider place that it is of, and the data came out as
    rubbish."""
    if not is_rubbish(group.totals) or _of_few_lines(group):
        return False
    return group.place in run.without or any(at.covers(group.place) for at in run.wide)


def _of_few_lines(group: Measured) -> bool:
    """Whether what is wrong of a lane is too little for all of its lines to be rubbish, or so its
    error words say."""
    tally, errors, bits = group.tally, group.totals["errors"] or 0, group.totals["bits"] or 0
    if tally is not None and tally.wrong.sum() >= MIN_TALLIED:
        return not many_lines(tally)
    return group.place.lane is not None and errors < bits * FEW_LINES / LANE_LINES / 2


FEW_LINES = 3
"""So many lines of a lane that read rubbish, half of their bits wrong, are not yet all of it."""


def _count_untrained(
    group: Measured, place: Node, line: Callable[[int], Node], memory: str | None, peers: Peers
) -> None:
    """The counts and error words of a lane that some rigs leave as it was before training: then all
    of its lines read rubbish, though one of them alone may be ill."""
    lines: dict[int, Node] = {}
    counted = place.blank()

    def apart(dq: int) -> Node:
        return lines.setdefault(dq, line(dq).blank())

    tallied = add_lines(group, apart, memory)
    add_counts(group, counted, memory, peers, lines_known=tallied)
    for node, of in ((counted, place), *((node, line(dq)) for dq, node in lines.items())):
        node.doubt(UNTRAINED, "dead")
        of.add_node(node)


MOST_ONCE = 7.0
"""Log likelihoods farther apart are no matter of how often, or which way, something errs."""

SETS_DATA = ("gate", "read", "write", "wck")
_NO_SETTING = (Result.FAIL, Result.NOT_FOUND, Result.NOT_RUN)


def _no_line_of_it(place: Node, lines: Sequence[Node]) -> None:
    """A lane by one line of it, where each of its lines was seen: one of them must look so. What
    speaks for that is said of the line."""
    for mode in ("stuck", "joined"):
        off = [node.said(mode) - node.said("sound") for node in lines]
        place.add({mode: min(0.0, float(np.logaddexp.reduce(off)) - math.log(len(off)))})


def _share_one_voice(lines: list[Node], widths: bool) -> None:
    """Lines of a lane that all look alike, well or ill, have one thing in common (a strobe, a
    supply, a reference): together they say of it what one of them says, for the lane's own rows say
    the rest. `widths`: whether each has widths of its own."""
    spoken = [n for n in lines if n.spoken]
    ratios = [n.sound_log_ratio for n in spoken]
    if len(spoken) < 3 or (max(ratios) > -2.0 and max(ratios) - min(ratios) > ALIKE):
        return
    one: float = 1 / len(spoken)
    factor: float | Array = one
    if max(ratios) >= -2.0:
        # Of widths many say more than one. A test that does not meet a lost margin meets it on
        # none of them; an open line it does.
        several = one**0.5
        modes = {"array": several, "stuck": several, "dead": several}
        factor = by_state(modes, grades=several if widths else one)
    for node in spoken:
        node.soften(factor)


ALIKE = 1.0
"""Log likelihood ratios of the lines of a lane differ by less where nothing sets one apart."""


def _by_sequence(nodes: list[Node]) -> list[Node]:
    """One boot node a channel and rank: the sequencer stops a channel, not a lane of it."""
    boots: dict[tuple[object, ...], Node] = {}
    rest = []
    for node in nodes:
        if node.kind != "boot":
            rest.append(node)
            continue
        channel = Place(None, node.place.channel, node.place.rank)
        alone = node.sites if channel.channel is None else ()
        merged = boots.get((alone, channel))
        if merged is None:
            boots[alone, channel] = replace(node, place=channel)
            continue
        merged.sites = tuple(dict.fromkeys((*merged.sites, *node.sites)))
        merged.quotes += node.quotes
        if node.said("cut") > merged.said("cut"):
            merged.replace_by(node)
    return rest + list(boots.values())


def _steps(
    outcomes: Sequence[StepOutcome],
    place: Node,
    boot: Node,
    line: Callable[[int], Node],
    peers: Peers,
) -> None:
    """How the steps of a place ended. A rig chooses its word for giving up once for all places, so
    the words of many weigh little more than those of a few."""
    skipped = [outcome for outcome in outcomes if outcome.ran is None]
    boot.quotes += [Quote(each.line, f"{each.step}: not run") for each in skipped]
    if outcomes:
        boot.add(_BOOT_CUT if skipped else _BOOT_RAN)
    # Several set points repeat one measurement more than they add to it.
    weight = 1.0 / max(1, len({outcome.point for outcome in outcomes})) ** 0.5
    words: list[Array] = []
    for outcome in outcomes:
        share = peers.share(place.place, outcome.step) if outcome.dq is None else 1.0
        table = peers.outcome(outcome.step, outcome.ran, share)
        if table is None:
            continue
        word = training_steps.word_loglik(outcome.ran)
        if word is not None and not training_steps.is_habit(outcome.step, outcome.ran):
            place.add(word)
        elif word is not None:
            words.append(word)
        if outcome.dq is None:
            _ended(outcome, table, place, weight)
        else:
            _ended(outcome, of_line(table), line(outcome.dq), weight)
    for said in words:
        place.add(said, peers.habit / len(words))


def _ended(outcome: StepOutcome, table: Array, node: Node, weight: float) -> None:
    """How a step ended, at the place or the data line where it did."""
    node.add(table, weight, WAYS.get(outcome.step, Way.ANY))
    if outcome.ran is not None and outcome.ran is not Result.PASS:
        node.quotes.append(Quote(outcome.line, f"{outcome.step}: {_plain(outcome.ran)}"))


_F = Table("What the boot left out")
UNTRAINED = _F.practice(
    "untrained", 0.5, "share of rigs that test a lane as it was where it found no setting"
)
_SKIPPED = _F.practice("skipped", 0.01, "share of channels with a step not run that ran to the end")
_WENT_ON = _F.practice(
    "went on", 0.03, "share of channels cut short with every step run all the same"
)
_BOOT_CUT = {"ran": math.log(_SKIPPED), "cut": math.log(1 - _WENT_ON)}
_BOOT_RAN = {"ran": math.log(1 - _SKIPPED), "cut": math.log(_WENT_ON)}


def _plain(result: Result) -> str:
    return {"no-response": "no response", "not-found": "no setting found"}.get(result, result)
