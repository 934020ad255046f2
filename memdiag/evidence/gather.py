"""A run and its board -> nodes: everything the dump says, each at the place it says it of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from memdiag import words
from memdiag.board import Board
from memdiag.evidence import addresses, bits, margins, presence, rails
from memdiag.evidence.nodes import Node, Quote
from memdiag.records import Channel, CountRow, Result, Run, Scope, TrainingRow
from memdiag.table import FAILED, settle, swept, totals_of, width_of
from memdiag.units import show_count, show_ohms
from memdiag.windows import measure
from memdiag.words import DQS, LaneTally

Key = tuple[str | None, Channel | None, int | None, int | None]


@dataclass(slots=True)
class Evidence:
    """The nodes of a run, and how much of the board they cover."""

    nodes: list[Node]
    shapes: dict[str, addresses.Shape] = field(default_factory=dict)
    strides: set[tuple[str, Channel | None, int | None, int | None, int]] = field(
        default_factory=set
    )
    """(site, channel, rank, lane, dq) of data lines whose errors keep a constant stride."""
    silent_sites: tuple[str, ...] = ()
    """Sites of the profile that no row of the dump speaks of."""
    bits_per_lane: float | None = None
    notes: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Group:
    training: list[TrainingRow] = field(default_factory=list)
    counts: list[CountRow] = field(default_factory=list)
    tally: LaneTally | None = None


def gather(run: Run, board: Board, thin_ui: float | None = None) -> Evidence:
    """All nodes of a run. `thin_ui`: the absolute limit of an eye width, where the shop or the
    profile sets one."""
    groups: dict[Key, _Group] = {}

    def group(scope: Scope) -> _Group:
        s = settle(scope, board)
        return groups.setdefault((s.site, s.channel, s.rank, s.lane), _Group())

    for row in run.training:
        group(row.scope).training.append(row)
    for count in run.counts:
        if not swept(count):
            group(count.scope).counts.append(count)
    tallies = words.tallies(run.errors, board)
    for tally in tallies:
        group(settle_tally(tally, board)).tally = tally
    memory = run.head.memory or board.memory
    peers = _Peers(groups, run.head.rate, thin_ui or board.thin_ui, board)
    nodes: list[Node] = []
    for key, g in groups.items():
        owners = _owners(key, board)
        if not owners:
            continue
        nodes += _places(key, g, owners, peers, memory, run)
    nodes = _by_sequence(nodes, board)
    evidence = Evidence(nodes)
    if run.errors is not None:
        _shapes(run, board, tallies, evidence)
    _rails(run, board, evidence)
    spoken = {site for node in nodes for site in node.sites}
    evidence.silent_sites = tuple(s.ref for s in board.sites if s.ref not in spoken)
    exposures = [
        n for g in groups.values() if (n := totals_of(g.counts)["bits"]) is not None and n > 0
    ]
    evidence.bits_per_lane = float(np.median(exposures)) if exposures else None
    return evidence


CAPPED = 3.0
"""A list of error words is capped where this many times more errors were counted."""


def _key_of(scope: Scope, board: Board) -> Key:
    s = settle(scope, board)
    return (s.site, s.channel, s.rank, s.lane)


def settle_tally(tally: LaneTally, board: Board) -> Scope:
    return settle(Scope(tally.site, tally.channel, tally.rank, tally.lane), board)


def _owners(key: Key, board: Board) -> tuple[str, ...]:
    site, channel, rank, lane = key
    if site is None and channel is None:
        return tuple(s.ref for s in board.sites)
    found = tuple(s.ref for s in board.owners(Scope(site, channel, rank, lane)))
    if not found and channel is not None and site is None:
        found = tuple(s.ref for s in board.owners(Scope(channel=channel)))
    return found


# --- places and data lines ------------------------------------------------------------------


def _places(
    key: Key, g: _Group, owners: tuple[str, ...], peers: _Peers, memory: str | None, run: Run
) -> list[Node]:
    _, channel, rank, lane = key
    place = Node("place", owners, channel, rank, lane)
    boot = Node("boot", owners, channel, rank, lane)
    lines: dict[int, Node] = {}

    def line(dq: int) -> Node:
        return lines.setdefault(dq, Node("line", owners, channel, rank, lane, dq))

    _steps(g.training, place, boot, line, peers.habit)
    _widths(g.training, key, place, line, peers)
    tallied = _line_tallies(g, line, memory)
    _counts(g, place, memory, peers, key, lines_known=tallied)
    out = [n for n in (place, *lines.values()) if n.loglik]
    return out + ([boot] if boot.loglik else [])


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
            boots[at] = Node("boot", node.sites, node.channel, node.rank, loglik=node.loglik,
                             quotes=node.quotes)  # fmt: skip
            continue
        merged.sites = tuple(dict.fromkeys((*merged.sites, *node.sites)))
        merged.quotes += node.quotes
        if node.loglik["cut"] > merged.loglik["cut"]:
            merged.loglik = node.loglik
    return rest + list(boots.values())


_LINE_OF = {"sound": "sound", "stray": "stray", "disturbed": "disturbed", "array": "array",
            "thin": "thin",
            "open": "dead", "joined": "line", "dead": "dead"}  # fmt: skip


def _steps(
    training: Sequence[TrainingRow], place: Node, boot: Node, line: object, habit: float
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
        result = presence.effective(
            [(r.attempt or 0, r.result, r.tries) for r in found if r.result is not None]
        )
        if result is None:
            cut += 1
            boot.quotes.append(Quote(found[-1].position.line, f"{step}: not run"))
            continue
        ran += 1
        table = presence.outcome_loglik(step, result)
        if table is None:
            continue
        word = presence.word_loglik(step, result)
        if word is not None and step == "id":
            place.add(word)
        elif word is not None:
            words_.append(word)
        target = place
        if dq is not None:
            target = line(dq)  # type: ignore[operator]
            table = {state: table[_LINE_OF[state]] for state in target.states}
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


MIN_LISTED = 4
"""With fewer lanes in a list of error words, none of them can be called usual."""


def _level(key: Key) -> tuple[bool, ...]:
    """How detailed a place is: counts are compared with counts of the same detail."""
    return tuple(part is not None for part in key)


@dataclass
class _Peers:
    """Healthy widths and heights of this run, by step, unit, set point and level of detail."""

    groups: dict[Key, _Group]
    rate: float | None
    thin_ui: float | None
    board: Board

    def cover(self, key: Key) -> bits.Cover:
        """How many lanes a place covers, and how many of them one package."""
        site, channel, rank, lane = key
        if lane is not None:
            return bits.Cover()
        counts = [
            n
            for s in self.board.sites
            if site is None or s.ref == site
            if (n := sum((channel is None or k.channel == channel)
                         and (rank is None or k.rank == rank) for k in s.links))
        ]  # fmt: skip
        if not counts:
            return bits.Cover()
        return bits.Cover(sum(counts), max(counts))

    def __post_init__(self) -> None:
        exposed: dict[object, list[tuple[int, int]]] = {}
        listed: list[int] = []
        for key, g in self.groups.items():
            t = totals_of(r for r in g.counts if r.scope.dq is None)
            if t["errors"] is not None and t["bits"]:
                exposed.setdefault(_level(key), []).append((t["errors"], t["bits"]))
            if key[3] is not None:
                listed.append(g.tally.rows if g.tally is not None else 0)
        giving_up = sum(
            any(r.result in FAILED and r.step != "id" for r in g.training)
            for g in self.groups.values()
        )
        self.habit = min(1.0, 3.0 / max(giving_up, 1))
        self.background = {level: bits.background(seen) for level, seen in exposed.items()}
        self.listed_common = len(listed) >= MIN_LISTED and float(np.median(listed)) >= 1
        pools: dict[tuple[object, ...], list[float]] = {}
        for key, g in self.groups.items():
            for kind, figures in best_eyes(g.training, key).items():
                pools.setdefault(kind, []).extend(f.value for f in figures)
        self._found = {kind: margins.reference(pool, self._floor(kind))
                       for kind, pool in pools.items()}  # fmt: skip
        # Nothing but zeros in a pool: the margins of that kind were never measured.
        self._unmeasured = {k for k, pool in pools.items() if len(pool) > 1 and not any(pool)}

    def _floor(self, kind: tuple[object, ...]) -> float:
        unit = kind[1]
        limit = self.thin_ui or margins.ABSOLUTE_THIN_UI
        if unit == "UI":
            return limit
        if unit == "s" and self.rate:
            return limit / self.rate
        return 0.0

    def of(self, kind: tuple[object, ...]) -> margins.Peers | None:
        return None if kind in self._unmeasured else self._found.get(kind)


@dataclass(frozen=True, slots=True)
class Eye:
    """The best candidate's figure of one step: value in the unit of its kind."""

    value: float
    line: int
    at_least: bool
    holes: int
    dq: int | None
    shown: str


def best_eyes(training: Iterable[TrainingRow], key: Key) -> dict[tuple[object, ...], list[Eye]]:
    """Eye figures by kind `(what, unit, step, point, detail)`; the best candidate of the last
    attempt of each. A scan prints a window for every candidate: most are empty on a healthy
    lane, so only the best one counts."""
    latest: dict[tuple[object, ...], int] = {}
    found: dict[tuple[object, ...], Eye] = {}
    detail = "channel" if key[3] is None else "lane"
    for row in training:
        if row.step == "level" or row.result is Result.NOT_RUN:
            continue
        for what in ("width", "height"):
            eye = _eye(row, what)
            if eye is None:
                continue
            unit, figure = eye
            level = "line" if row.scope.dq is not None else detail
            kind = (what, unit, row.step, row.point, level)
            at = (*kind, row.scope.dq)
            attempt = row.attempt or 0
            if attempt < latest.get(at, -1):
                continue
            old = found.get(at)
            if attempt > latest.get(at, -1) or old is None or figure.value > old.value:
                found[at] = figure
            latest[at] = attempt
    out: dict[tuple[object, ...], list[Eye]] = {}
    for (*place, _), figure in found.items():
        out.setdefault(tuple(place), []).append(figure)
    return out


def _eye(row: TrainingRow, what: str) -> tuple[str, Eye] | None:
    quantity = width_of(row) if what == "width" else row.height
    if quantity is None or quantity.value < 0:
        return None
    unit, value = quantity.unit or "tap", quantity.value
    if unit not in ("UI", "tap", "%"):
        base = "V" if what == "height" else "s"
        try:
            value, unit = quantity.in_unit(base), base
        except ValueError:
            return None
    at_least, holes = False, 0
    if what == "width" and row.window is not None:
        window = measure(row.window, row.taps or 1.0)
        at_least, holes = window.lower_limit, window.holes
        if window.full:
            return None  # a delay line that does not move, not an eye
    if value == 0 and row.result in (Result.PASS, None) and row.window is None:
        return None  # a passing step without an eye was not measured
    return unit, Eye(value, row.position.line, at_least, holes, row.scope.dq, str(quantity))


EYE_WEIGHT = 0.75
"""Read and write eyes share a driver and a supply: together they say less than twice as much."""


def _widths(
    training: Sequence[TrainingRow], key: Key, place: Node, line: object, peers: _Peers
) -> None:
    for kind, figures in best_eyes(training, key).items():
        healthy = peers.of(kind)
        if healthy is None:
            continue
        for eye in figures:
            table = margins.width_loglik(eye.value, healthy, at_least=eye.at_least)
            if table is None:
                continue
            target = place
            if eye.dq is not None:
                target = line(eye.dq)  # type: ignore[operator]
                table = {state: table[_LINE_OF[state]] for state in target.states}
            target.add(table, EYE_WEIGHT)
            ratio = eye.value / healthy.reference
            if ratio < 0.8 or eye.holes:
                holes = f", {eye.holes} hole(s) in it" if eye.holes else ""
                says = f"{kind[2]} eye {kind[0]} {eye.shown}{holes}: {ratio:.0%} of its peers'"
                target.quotes.append(Quote(eye.line, says))


MIN_TALLIED = 8
"""A few wrong bits have to be on some lines: that they are says nothing of those."""


def _line_tallies(g: _Group, line: object, memory: str | None) -> bool:
    """Data lines from count rows that name them and from error words. True where any spoke."""
    spoke = False
    by_dq: dict[int, list[CountRow]] = {}
    for row in g.counts:
        if row.scope.dq is not None:
            by_dq.setdefault(row.scope.dq, []).append(row)
    for dq, found in by_dq.items():
        totals = totals_of(found)
        if totals["errors"] is None:
            continue
        spoke = True
        node: Node = line(dq)  # type: ignore[operator]
        if totals["bits"]:
            node.add(bits.count_loglik(totals["errors"], totals["bits"], "line"))
        direction = bits.direction_loglik(totals["rose"] or 0, totals["fell"] or 0, memory, "line")
        if direction is not None:
            node.add(direction)
        if totals["errors"]:
            node.quotes.append(Quote(found[0].position.line, _count_words(totals)))
    t = g.tally
    if t is None or t.wrong.sum() < MIN_TALLIED or _many_lines(t):
        return spoke
    exposure = totals_of(r for r in g.counts if r.scope.dq is None)
    whole = exposure["bits"] if _complete(t, exposure["errors"]) else None
    most = float(t.wrong.max())
    patterns = len(t.words)
    for dq in range(DQS):
        if dq in by_dq:
            continue
        node = line(dq)  # type: ignore[operator]
        wrong = float(t.wrong[dq])
        if whole:
            node.add(bits.count_loglik(int(wrong), whole / DQS, "line"))
        node.add(bits.share_loglik(wrong, most), 0.4 if whole else 1.0)
        if t.ones[dq] and t.zeros[dq]:
            direction = bits.direction_loglik(t.rose[dq], t.fell[dq], memory, "line")
            if direction is not None:
                node.add(direction)
        if wrong:
            node.quotes.append(Quote(t.first_line, _line_words(dq, t)))
        for other in range(DQS):
            if other != dq and t.wrong[other]:
                node.partner[other] = bits.joined_ratio(
                    float(t.apart[dq, other]), wrong, float(t.both[dq, other]), patterns
                )
    return True


def _many_lines(t: LaneTally) -> bool:
    """Half the lane's lines or more are wrong alike: the lane, not a line of it."""
    return int((t.wrong > t.wrong.max() / 10).sum()) >= DQS // 2


def _complete(t: LaneTally, counted: int | None) -> bool:
    """Whether the list of error words holds (nearly) all errors that were counted."""
    return counted is not None and counted > 0 and t.wrong.sum() >= 0.9 * counted


def _line_words(dq: int, t: LaneTally) -> str:
    way = ""
    if t.rose[dq] + t.fell[dq] > 0:
        rose, fell = show_count(t.rose[dq]), show_count(t.fell[dq])
        way = f", {rose} of them 0 read as 1, {fell} 1 read as 0"
    share = t.wrong[dq] / t.wrong.sum()
    return f"dq {dq} wrong {show_count(t.wrong[dq])} times ({share:.0%} of the lane's){way}"


def _count_words(totals: dict[str, int | None]) -> str:
    errors, bits_ = totals["errors"] or 0, totals["bits"]
    text = f"{show_count(errors)} bits wrong"
    if bits_:
        text += f" of {show_count(bits_)}"
    if totals["rose"] is not None and totals["fell"] is not None and errors:
        text += f" ({show_count(totals['rose'])} rose, {show_count(totals['fell'])} fell)"
    if totals["cells"] is not None:
        text += f" in {show_count(totals['cells'])} cells"
    if totals["edc"]:
        text += f", {show_count(totals['edc'])} link checks failed"
    return text


_NONE_LISTED = dict.fromkeys(("sound", "stray", "disturbed", "array"), 0.0) | {
    **dict.fromkeys(("thin", "line", "dead", "mute", "absent"), -1.0)
}
"""No errors counted, but of how many bits is not said: a soft word for health."""


def _counts(
    g: _Group, place: Node, memory: str | None, peers: _Peers, key: Key, *, lines_known: bool
) -> None:
    whole = [r for r in g.counts if r.scope.dq is None]
    totals = totals_of(whole)
    errors, exposure = totals["errors"], totals["bits"]
    if errors is not None and g.tally is not None:
        # A list that shows more than was counted is believed: it prints the words themselves.
        errors = max(errors, int(g.tally.wrong.sum()))
    if errors is not None and exposure:
        cover = peers.cover(key)
        background = peers.background.get(_level(key), 0.0)
        place.add(bits.count_loglik(errors, exposure, cover=cover, background=background))
    elif errors is not None:
        place.add(bits.listed_loglik(errors) if errors else _NONE_LISTED)
    elif g.tally is not None and g.tally.rows:
        place.add(bits.listed_loglik(g.tally.rows, common=peers.listed_common))
    if totals["errors"]:
        place.quotes.append(Quote(whole[0].position.line, _count_words(totals)))
    if totals["rose"] is not None and totals["fell"] is not None:
        table = bits.direction_loglik(totals["rose"], totals["fell"], memory)
        if table is not None:
            place.add(table, 0.5 if lines_known else 1.0)
    elif g.tally is not None and not lines_known:
        table = bits.direction_loglik(g.tally.rose.sum(), g.tally.fell.sum(), memory)
        if table is not None:
            place.add(table)
    if g.tally is not None and _many_lines(g.tally):
        place.add(bits.MANY_LINES)
        spread = int((g.tally.wrong > 0).sum())
        place.quotes.append(
            Quote(g.tally.first_line, f"{spread} of its {DQS} lines wrong in the error words")
        )
    if totals["edc"] is not None:
        place.add(bits.edc_count_loglik(totals["edc"], errors))
        if totals["edc"] and not errors:
            place.quotes.append(Quote(whole[0].position.line, _count_words(totals)))
    elif g.tally is not None:
        table = bits.link_check_loglik(g.tally.edc_ok, g.tally.edc_bad)
        if table is not None:
            place.add(table)
    if g.tally is not None and g.tally.edc_ok + g.tally.edc_bad:
        ok, bad = g.tally.edc_ok, g.tally.edc_bad
        place.quotes.append(
            Quote(g.tally.first_line, f"link check good on {ok}, bad on {bad} of the error words")
        )
    if errors and totals["cells"] is not None:
        place.add(bits.repeat_loglik(errors, totals["cells"]))
    elif g.tally is not None and g.tally.cells and g.tally.rows >= 4:
        place.add(bits.repeat_loglik(g.tally.rows, len(g.tally.cells)))


# --- addresses, rails -----------------------------------------------------------------------


def _shapes(
    run: Run, board: Board, tallies: Sequence[LaneTally], evidence: Evidence
) -> None:
    assert run.errors is not None
    by_site: dict[str, list[LaneTally]] = {}
    for tally in tallies:
        owners = _owners((tally.site, tally.channel, tally.rank, tally.lane), board)
        if len(owners) == 1:
            by_site.setdefault(owners[0], []).append(tally)
    counted: dict[str, int] = {}
    for row in run.counts:
        for site in _owners(_key_of(row.scope, board), board)[:1]:
            counted[site] = counted.get(site, 0) + (row.errors or 0)
    for site, mine in by_site.items():
        index = np.unique(np.concatenate([part for t in mine for part in t.index]))
        lines = sum(int((t.wrong > 0).sum()) for t in mine)
        shape = addresses.shape_of(run.errors, index, board, lines)
        if shape is None:
            continue
        node = Node("shape", (site,))
        # A capped list holds the first errors of a sweep, which lie side by side whatever fails.
        cut = shape.kind == "clustered" and counted.get(site, 0) > CAPPED * len(index)
        node.add(addresses.shape_loglik(shape), 0.1 if cut else 1.0)
        node.quotes.append(Quote(int(run.errors.line[index[0]]), shape.says))
        evidence.nodes.append(node)
        evidence.shapes[site] = shape
        for tally in mine:
            _stride(run, board, site, tally, evidence)


DOMINANT = 0.4
"""A data line with this share of its lane's wrong bits is looked at by itself."""


def _stride(run: Run, board: Board, site: str, tally: LaneTally, evidence: Evidence) -> None:
    """One line that is wrong all over the address space is no matter of cells; one whose errors
    keep a stride gets a node of its own where other errors of the site hide it."""
    assert run.errors is not None
    dq = int(tally.wrong.argmax())
    if tally.wrong[dq] < DOMINANT * tally.wrong.sum():
        return
    index, masks = np.concatenate(tally.index), np.concatenate(tally.masks)
    shape = addresses.shape_of(run.errors, index[(masks >> dq) & 1 == 1], board, 1)
    if shape is None:
        return
    if shape.kind in ("spread", "striped") and shape.distinct >= MIN_TALLIED:
        for node in evidence.nodes:
            at = (node.sites, node.channel, node.rank, node.lane, node.dq)
            if node.kind == "line" and at == ((site,), tally.channel, tally.rank, tally.lane, dq):
                node.add(bits.STEADY)
                node.quotes.append(Quote(tally.first_line, f"dq {dq}: {shape.says}"))
    if shape.kind != "striped":
        return
    evidence.strides.add((site, tally.channel, tally.rank, tally.lane, dq))
    if evidence.shapes[site].kind == "striped":
        return  # the site's own node says it already
    node = Node("shape", (site,), tally.channel, tally.rank, tally.lane, dq)
    node.add(addresses.shape_loglik(shape))
    node.quotes.append(Quote(tally.first_line, f"dq {dq}: {shape.says}"))
    evidence.nodes.append(node)


def _rails(run: Run, board: Board, evidence: Evidence) -> None:
    off = frozenset(run.head.removed or ())
    latest = {row.rail: row for row in run.rails}
    for name, row in latest.items():
        rail = board.rail(name)
        # A package that was off the board drew nothing from this reading.
        sites = tuple(s.ref for s in board.sites_on_rail(name) if s.ref not in off)
        node = Node("rail", sites, rail=name)
        node.add(rails.reading_loglik(row.ohms, row.trend, rail))
        trend = f", {row.trend}" if row.trend else ""
        healthy = ""
        if rail is not None and rail.healthy_ohms_typical:
            healthy = f" (healthy: about {show_ohms(rail.healthy_ohms_typical)})"
        without = f" with {', '.join(sorted(off))} off" if off else ""
        node.quotes.append(Quote(
            row.position.line, f"rail {name} reads {show_ohms(row.ohms)}{trend}{without}{healthy}"
        ))  # fmt: skip
        evidence.nodes.append(node)
    for warm in run.heat:
        warning = rails.over_limits(warm.volts, warm.amps, board.rail(warm.rail))
        if warning:
            evidence.notes.append(warning)
        if not warm.hottest:
            continue
        # A part that is no site (a capacitor, say) speaks for the rail itself.
        site = board.site(warm.hottest)
        node = Node("heat", (site.ref,) if site is not None else (), rail=warm.rail)
        node.add(_WARMED)
        rise = "" if warm.rise is None else f", by {warm.rise:g} K"
        node.quotes.append(Quote(
            warm.position.line, f"{warm.hottest} warmed first when {warm.rail} was fed{rise}"
        ))  # fmt: skip
        evidence.nodes.append(node)


_WARMED = {"elsewhere": -4.5, "here": 0.0}
"""What warms first under a camera is seldom not the culprit (common practice, no source)."""
