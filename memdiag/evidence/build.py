"""Measurements -> nodes: everything the dump says, each at the place it says it of."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from memdiag.evidence import coverage, training_steps
from memdiag.evidence.counted import add_counts, add_lines
from memdiag.evidence.eyes import Peers, add_widths
from memdiag.evidence.gathered import Evidence, at_owner, owners_of
from memdiag.evidence.measurements import Measured, Measurements, StepOutcome
from memdiag.evidence.nodes import LINE_OF, Node
from memdiag.evidence.readings import rails, shapes, warmth
from memdiag.model import Board, Place, Quote, Result

Source = Callable[[Measurements, Evidence], None]
"""Adds what one kind of reading says, as nodes or to nodes that are there. Sources come after all
that the rows of the links say, and none needs another."""

SOURCES: tuple[Source, ...] = (shapes, rails, warmth)


def gather(
    measured: Measurements, thin_ui: float | None = None, sources: Sequence[Source] = SOURCES
) -> Evidence:
    """All nodes of a run. `thin_ui`: the absolute limit of an eye width, where the shop or the
    profile sets one. `sources`: the readings that are asked beside the rows of the links."""
    board = measured.board
    peers = Peers(measured, thin_ui or board.thin_ui)
    memory = measured.run.head.memory or board.memory
    habits = coverage.habits(measured)
    nodes: list[Node] = []
    for group in measured:
        owners = owners_of(group.place, board)
        if owners:
            nodes += _places(group, owners, peers, memory, habits)
    _add_shared(nodes, peers, board)
    nodes = _by_sequence(nodes)
    evidence = Evidence(nodes, habits=habits, thin_eyes=tuple(peers.thin()))
    evidence.notes += [_habit(step) for step in sorted(habits)]
    for source in sources:
        source(measured, evidence)
    spoken = {site for node in nodes for site in node.sites}
    evidence.silent_sites = tuple(s.ref for s in board.sites if s.ref not in spoken)
    exposures = [n for group in measured if (n := group.totals["bits"]) is not None and n > 0]
    evidence.bits_per_lane = float(np.median(exposures)) if exposures else None
    return evidence


def _habit(step: str) -> str:
    return (
        f"{step} fails on every lane and every lane passes the data steps: that is the rig's "
        "habit, not this board's fault"
    )


def _places(
    group: Measured,
    owners: tuple[str, ...],
    peers: Peers,
    memory: str | None,
    habits: frozenset[str],
) -> list[Node]:
    at = at_owner(group.place, owners)
    place, boot = Node("place", owners, at), Node("boot", owners, at)
    lines: dict[int, Node] = {}

    def line(dq: int) -> Node:
        return lines.setdefault(dq, Node("line", owners, replace(at, dq=dq)))

    steps = [outcome for outcome in group.steps if outcome.step not in habits]
    _steps(steps, place, boot, line, peers.habit)
    add_widths(group.place, place, line, peers)
    tallied = add_lines(group, line, memory)
    add_counts(group, place, memory, peers, lines_known=tallied)
    _share_one_voice(list(lines.values()))
    out = [n for n in (place, *lines.values()) if n.loglik]
    return out + ([boot] if boot.loglik else [])


def _share_one_voice(lines: list[Node]) -> None:
    """Lines of a lane that all fail alike fail of one thing (a strobe, a supply, a reference):
    together they say of it what one of them says, for the lane's own rows say the rest."""
    spoken = [n for n in lines if n.loglik]
    if len(spoken) < 3 or max(n.sound_log_ratio for n in spoken) > -2.0:
        return
    for node in spoken:
        node.loglik = {state: value / len(spoken) for state, value in node.loglik.items()}


def _add_shared(nodes: list[Node], peers: Peers, board: Board) -> None:
    """What all lines of a place share, at that place."""
    places: dict[Place, Node] = {}
    for link, table, weight, says in peers.shared():
        owners = owners_of(link, board)
        if not owners:
            continue
        if link not in places:
            places[link] = Node("place", owners, at_owner(link, owners), whole=True)
            nodes.append(places[link])
        places[link].add(table, weight)
        places[link].quotes.append(Quote(None, says))


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
        if node.loglik["cut"] > merged.loglik["cut"]:
            merged.loglik = node.loglik
    return rest + list(boots.values())


def _steps(
    outcomes: Sequence[StepOutcome],
    place: Node,
    boot: Node,
    line: Callable[[int], Node],
    habit: float,
) -> None:
    """`habit`: the weight of the words for giving up, which a rig chooses once for all places."""
    skipped = [outcome for outcome in outcomes if outcome.ran is None]
    boot.quotes += [Quote(each.line, f"{each.step}: not run") for each in skipped]
    if outcomes:
        boot.add(_BOOT_CUT if skipped else _BOOT_RAN)
    # Several set points repeat one measurement more than they add to it.
    weight = 1.0 / max(1, len({outcome.point for outcome in outcomes})) ** 0.5
    words: list[Mapping[str, float]] = []
    for outcome in outcomes:
        table = training_steps.outcome_loglik(outcome.step, outcome.ran)
        if table is None:
            continue
        word = training_steps.word_loglik(outcome.step, outcome.ran)
        if outcome.step == "id":
            place.add(word)
        elif word is not None:
            words.append(word)
        _ended(outcome, table, place if outcome.dq is None else line(outcome.dq), weight)
    for said in words:
        place.add(said, habit / len(words))


def _ended(outcome: StepOutcome, table: Mapping[str, float], node: Node, weight: float) -> None:
    """How a step ended, at the place or the data line where it did."""
    if node.kind == "line":
        table = {state: table[LINE_OF[state]] for state in node.states}
    node.add(table, weight)
    if outcome.ran is not None and outcome.ran is not Result.PASS:
        node.quotes.append(Quote(outcome.line, f"{outcome.step}: {_plain(outcome.ran)}"))


_BOOT_CUT = {"ran": -4.6, "cut": -0.02}

_BOOT_RAN = {"ran": -0.02, "cut": -3.5}


def _plain(result: Result) -> str:
    return {"no-response": "no response", "not-found": "no setting found"}.get(result, result)
