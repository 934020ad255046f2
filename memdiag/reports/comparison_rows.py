"""A comparison as words for a page: which rows, and how each figure is shown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from memdiag.model.comparison import Change, Comparison, Kind, State, Track
from memdiag.model.problems import Severity
from memdiag.model.quantities import show_count, show_duration, show_p, show_probability, show_rate
from memdiag.model.records import Run
from memdiag.model.verdict import Finding, Locus

HEADINGS = ("place", "change", "worst step", "eye", "errors", "rate ratio", "p")
ALIGN = ("left", "left", "left", "right", "right", "right", "right")

MOST_ROWS = 40
PLACE, CELL = 18, 21  # characters; the table stays under 100 columns


def rows(comparison: Comparison) -> tuple[list[list[str]], str]:
    """The table's rows, and what the rows left out have in common.

    A site has one row; its links follow only where they fared differently. What stayed the same
    is left out.
    """
    links: dict[str | None, list[Change]] = {}
    for link in comparison.links:
        links.setdefault(link.locus.site, []).append(link)
    shown: list[Change] = []
    for site in comparison.sites:
        if site.kind is Kind.SAME:
            continue
        shown.append(site)
        here = links[site.locus.site]
        # Where lanes are named, a row for their whole channel says nothing of its own.
        finest = [c for c in here if c.locus.lane is not None] or here
        if len({c.kind for c in finest}) > 1:
            shown += _by_place(c for c in here if c.kind is not Kind.SAME)
    shown += _by_place(c for c in links.get(None, ()) if c.kind is not Kind.SAME)
    same = sum(c.kind is Kind.SAME for c in comparison.links)
    rest = f"{same} of {len(comparison.links)} links: the same in both runs" if same else ""
    more = len(shown) - MOST_ROWS
    if more > 0:
        rest = f"{more} more rows: see --format csv" + (f"; {rest}" if rest else "")
    made = [cells(c) for c in shown[:MOST_ROWS]]
    return made, rest


def _by_place(changes: Iterable[Change]) -> list[Change]:
    return sorted(
        changes,
        key=lambda c: tuple(
            (v is not None, isinstance(v, str), v if v is not None else 0)
            for v in (c.locus.channel, c.locus.rank, c.locus.lane)
        ),
    )


def place(locus: Locus, *, nested: bool = False) -> str:
    """`U6`, or `U6 ch 3 lane 1`; rank 0 goes without saying."""
    parts = [] if locus.site is None else [locus.site]
    for word, value in (
        ("rail", locus.rail),
        ("part", locus.partition),
        ("ch", locus.channel),
        ("rank", locus.rank or None),
        ("lane", locus.lane),
    ):
        if value is not None:
            parts.append(f"{word} {value}")
    return clip(" ".join(parts) or "the board", PLACE)


def clip(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


def cells(change: Change) -> list[str]:
    """One row of the table, `-` where a run does not say."""
    a, b = change.before, change.after
    return [
        place(change.locus),
        change.kind.value,
        clip(arrow(a.worst, b.worst), CELL),
        clip(_eyes(a.eye, b.eye), CELL),
        arrow(_errors(a), _errors(b)),
        ratio(change),
        "-" if change.rate is None else _p(change.rate.p_adjusted),
    ]


def _errors(state: State) -> str | None:
    return None if state.errors is None else show_count(state.errors)


def arrow(before: str | None, after: str | None) -> str:
    """`fail > pass`; one word where both are alike, `-` where a run does not say."""
    if before == after:
        return before or "-"
    return f"{before or '-'} > {after or '-'}"


def _eyes(before: str | None, after: str | None) -> str:
    """`0.15 > 0.46UI`: a unit both share is said once."""
    if before and after:
        unit = after.lstrip("0123456789.e+-")
        if unit and before.endswith(unit):
            before = before.removesuffix(unit)
            return after if before + unit == after else f"{before} > {after}"
    return arrow(before, after)


def ratio(change: Change) -> str:
    """`0.21 (0.02..1.0)`, the exact two-sided limits of the ratio of the rates."""
    r = change.rate
    if r is None:
        return "-"
    middle = "" if r.ratio is None else f"{_number(r.ratio)} "
    high = "inf" if r.high is None else _number(r.high)
    return f"{middle}({_number(r.low)}..{high})"


def _number(value: float) -> str:
    return f"{value:.2g}" if 1e-2 <= value < 99.5 or value == 0 else show_rate(value)


def _p(p: float) -> str:
    return "<0.0001" if p < 1e-4 else show_p(p).removeprefix("p ")


def finding_title(change: Change) -> str:
    """`U6: missing -> clear`."""
    was, now = _cause(change.before, change, False), _cause(change.after, change, True)
    return f"{change.locus}: {was} -> {now}"


def _cause(state: State, change: Change, later: bool) -> str:
    if state.finding is not None:
        return "empty on purpose" if state.finding.expected else state.finding.cause.value
    if later and change.kind is Kind.MOVED:
        return "moved with the package"
    if later and change.kind is Kind.TOO_LITTLE_DATA:
        return "not known"
    if later and change.kind in (Kind.REMAINS, Kind.BETTER, Kind.WORSE):
        return "not clear"
    return "clear" if later else "no finding"


def proof(comparison: Comparison) -> list[str]:
    """What would prove what is not proved yet: bits, and the time they take at the least."""
    rate = comparison.after.head.rate or comparison.before.head.rate
    out = []
    for c in comparison.findings:
        if c.needed_bits is None:
            continue
        text = f"{c.locus}: {show_count(c.needed_bits)} bits without an error"
        done = c.after.bits
        if done:
            text += f" ({show_count(done)} are done)"
        if c.needed_seconds is not None and rate:
            took = "under 1 s" if c.needed_seconds < 1 else show_duration(c.needed_seconds)
            text += f", {took} at {rate / 1e9:g} Gbit/s a line if every bit is compared"
        out.append(text)
    if out:
        chance = f"{comparison.confidence * 100:g} %, one-sided"
        out.append(f"at {chance}" + (", for all these places together" if len(out) > 1 else ""))
    return out


def about(run: Run) -> str:
    """`final of 2031-03-05T09:12:00Z (bench-7-0113)`."""
    head = run.head
    text = head.stage or "run"
    if head.at:
        text += f" of {head.at}"
    return text + (f" ({head.id})" if head.id else "")


def notes(comparison: Comparison) -> list[str]:
    """Warnings and errors travel with the answer they qualify. The first refusal is in it."""
    found = [
        f"{p.severity}: {p.sentence()}"
        for p in comparison.problems
        if p.severity is not Severity.INFO
    ]
    for which, run in (("BEFORE", comparison.before), ("AFTER", comparison.after)):
        worse = [p for p in run.problems if p.severity is not Severity.INFO]
        found += [f"{which}: {p.sentence()}" for p in worse[:4]]
        if len(worse) > 4:
            found.append(f"{which}: and {len(worse) - 4} more problems: memdiag read shows them")
    return found


def state_words(finding: Finding | None) -> str:
    """One stage of a track: `missing 97 %`, `empty`, `clear`."""
    if finding is None:
        return "clear"
    if finding.expected:
        return "empty on purpose"
    if finding.cause.value == "undecided":
        return "undecided"
    return f"{finding.cause} {show_probability(finding.probability)}"


def track_words(track: Track) -> str:
    return f"{track.locus}: " + " -> ".join(state_words(f) for f in track.findings)


def stages(comparison: Comparison) -> Sequence[str]:
    """One line a run of a history: its stage, its verdict, and how it compares to the last."""
    if comparison.history is None:
        return ()
    out = []
    for number, stage in enumerate(comparison.history.stages, 1):
        step = f" [{stage.outcome} since the run before]" if stage.outcome else ""
        out.append(f"{number}. {about(stage.verdict.run)}: {stage.verdict.summary.text}{step}")
    return out
