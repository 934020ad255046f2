"""A run and its board -> nodes: everything the dump says, each at the place it says it of."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from memdiag.evidence import lane_tallies, training_steps
from memdiag.evidence.counted import add_counts, add_lines
from memdiag.evidence.eyes import Peers, add_widths
from memdiag.evidence.groups import LINE_OF, Evidence, Group, Key, owners_of, settle_tally
from memdiag.evidence.nodes import Node
from memdiag.evidence.readings import add_rails, add_shapes
from memdiag.evidence.table import settle, swept, totals_of
from memdiag.model.board import Board
from memdiag.model.records import Result, Run, Scope, TrainingRow
from memdiag.model.verdict import Quote


def gather(run: Run, board: Board, thin_ui: float | None = None) -> Evidence:
    """All nodes of a run. `thin_ui`: the absolute limit of an eye width, where the shop or the
    profile sets one."""
    groups: dict[Key, Group] = {}

    def group(scope: Scope) -> Group:
        s = settle(scope, board)
        return groups.setdefault((s.site, s.channel, s.rank, s.lane), Group())

    for row in run.training:
        group(row.scope).training.append(row)
    for count in run.counts:
        if not swept(count):
            group(count.scope).counts.append(count)
    tallies = lane_tallies.tallies(run.errors, board)
    for tally in tallies:
        group(settle_tally(tally, board)).tally = tally
    memory = run.head.memory or board.memory
    peers = Peers(groups, run.head.rate, thin_ui or board.thin_ui, board)
    nodes: list[Node] = []
    for key, g in groups.items():
        owners = owners_of(key, board)
        if not owners:
            continue
        nodes += _places(key, g, owners, peers, memory, run)
    _add_shared(nodes, peers, board)
    nodes = _by_sequence(nodes, board)
    evidence = Evidence(nodes)
    if run.errors is not None:
        add_shapes(run, board, tallies, evidence)
    add_rails(run, board, evidence)
    spoken = {site for node in nodes for site in node.sites}
    evidence.silent_sites = tuple(s.ref for s in board.sites if s.ref not in spoken)
    exposures = [
        n for g in groups.values() if (n := totals_of(g.counts)["bits"]) is not None and n > 0
    ]
    evidence.bits_per_lane = float(np.median(exposures)) if exposures else None
    return evidence


def _places(
    key: Key, g: Group, owners: tuple[str, ...], peers: Peers, memory: str | None, run: Run
) -> list[Node]:
    _, channel, rank, lane = key
    place = Node("place", owners, channel, rank, lane)
    boot = Node("boot", owners, channel, rank, lane)
    lines: dict[int, Node] = {}

    def line(dq: int) -> Node:
        return lines.setdefault(dq, Node("line", owners, channel, rank, lane, dq))

    _steps(g.training, place, boot, line, peers.habit)
    add_widths(g.training, key, place, line, peers)
    tallied = add_lines(g, line, memory)
    add_counts(g, place, memory, peers, key, lines_known=tallied)
    _share_one_voice(list(lines.values()))
    out = [n for n in (place, *lines.values()) if n.loglik]
    return out + ([boot] if boot.loglik else [])


def _share_one_voice(lines: list[Node]) -> None:
    """Lines of a lane that all fail alike fail of one thing (a strobe, a supply, a reference):
    together they say of it what one of them says, for the lane's own rows say the rest."""
    spoken = [n for n in lines if n.loglik]
    if len(spoken) < 3 or max(n.healthy for n in spoken) > -2.0:
        return
    for node in spoken:
        node.loglik = {state: value / len(spoken) for state, value in node.loglik.items()}


def _add_shared(nodes: list[Node], peers: Peers, board: Board) -> None:
    """What all lines of a place share, at that place."""
    places: dict[tuple[object, ...], Node] = {}
    for key, table, weight, says in peers.shared():
        owners = owners_of(key, board)
        if not owners:
            continue
        if key not in places:
            places[key] = Node("place", owners, *key[1:], whole=True)
            nodes.append(places[key])
        places[key].add(table, weight)
        places[key].quotes.append(Quote(None, says))


def _by_sequence(nodes: list[Node], board: Board) -> list[Node]:
    """One boot node a channel and rank: the sequencer stops a channel, not a lane of it."""
    boots: dict[tuple[object, ...], Node] = {}
    rest = []
    for node in nodes:
        if node.kind != "boot":
            rest.append(node)
            continue
        alone = node.sites if node.channel is None else ()
        at = (alone, node.channel, node.rank)
        merged = boots.get(at)
        if merged is None:
            boots[at] = Node(
                "boot", node.sites, node.channel, node.rank, loglik=node.loglik, quotes=node.quotes
            )
            continue
        merged.sites = tuple(dict.fromkeys((*merged.sites, *node.sites)))
        merged.quotes += node.quotes
        if node.loglik["cut"] > merged.loglik["cut"]:
            merged.loglik = node.loglik
    return rest + list(boots.values())


def _steps(
    training: Sequence[TrainingRow],
    place: Node,
    boot: Node,
    line: Callable[[int], Node],
    habit: float,
) -> None:
    """`habit`: the weight of the words for giving up, which a rig chooses once for all places."""
    by_step: dict[tuple[str, str | None, int | None], list[TrainingRow]] = {}
    for row in training:
        if row.result is not None:
            by_step.setdefault((row.step, row.point, row.scope.dq), []).append(row)
    points = {point for _, point, _ in by_step} or {None}
    ran = cut = 0
    words_: list[dict[str, float]] = []
    for (step, _, dq), found in by_step.items():
        result = training_steps.effective(
            [(r.attempt or 0, r.result, r.tries) for r in found if r.result is not None]
        )
        if result is None:
            cut += 1
            boot.quotes.append(Quote(found[-1].position.line, f"{step}: not run"))
            continue
        ran += 1
        table = training_steps.outcome_loglik(step, result)
        if table is None:
            continue
        word = training_steps.word_loglik(step, result)
        if word is not None and step == "id":
            place.add(word)
        elif word is not None:
            words_.append(word)
        target = place
        if dq is not None:
            target = line(dq)
            table = {state: table[LINE_OF[state]] for state in target.states}
        # Several set points repeat one measurement more than they add to it.
        target.add(table, 1.0 / len(points) ** 0.5)
        if result is not Result.PASS:
            last = found[-1]
            target.quotes.append(Quote(last.position.line, f"{step}: {_plain(result)}"))
    for word in words_:
        place.add(word, habit / len(words_))
    if cut:
        boot.add(_BOOT_CUT)
    elif ran:
        boot.add(_BOOT_RAN)


_BOOT_CUT = {"ran": -4.6, "cut": -0.02}

_BOOT_RAN = {"ran": -0.02, "cut": -3.5}


def _plain(result: Result) -> str:
    return {"no-response": "no response", "not-found": "no setting found"}.get(result, result)
