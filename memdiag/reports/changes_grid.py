"""The table of a comparison for a terminal and a ticket: one row a site."""

from __future__ import annotations

from collections.abc import Iterable

from memdiag.model import Place
from memdiag.model.comparison import Change, ChangeKind, Comparison, Rate, State
from memdiag.model.quantities import show_count, show_rate
from memdiag.reports.page import NOT_SAID, Column, Grid, Row
from memdiag.reports.plain import clip

MOST_ROWS = 40
PLACE, CELL = 18, 21  # characters; the table stays under 100 columns


def changes_grid(c: Comparison) -> Grid:
    """A site has one row; its links follow only where they fared differently. What stayed the
    same is left out."""
    shown = _shown(c)
    same = sum(x.kind is ChangeKind.SAME for x in c.links)
    rest = []
    if len(shown) > MOST_ROWS:
        rest.append(f"{len(shown) - MOST_ROWS} more rows: see --format csv")
    if same:
        rest.append(f"{same} of {len(c.links)} links: the same in both runs")
    return Grid(
        (
            Column("place", always=True),
            Column("change", always=True),
            Column("worst step"),
            Column("eye", right=True, spare=2),
            Column("errors", right=True),
            Column(
                "rate ratio",
                right=True,
                spare=3,
                legend="rate ratio: the rate after over the rate before, exact two-sided "
                f"{c.confidence * 100:g} % limits",
            ),
            Column("p", right=True, spare=1, legend="p two-sided, by Holm"),
        ),
        tuple(Row(_cells(x)) for x in shown[:MOST_ROWS]),
        gists=("; ".join(rest),) if rest else (),
        whole=False,
        airy=True,
    )


def _shown(c: Comparison) -> list[Change]:
    links: dict[str | None, list[Change]] = {}
    for link in c.links:
        links.setdefault(link.place.site, []).append(link)
    shown: list[Change] = []
    for site in c.sites:
        if site.kind is ChangeKind.SAME:
            continue
        shown.append(site)
        here = links[site.place.site]
        # Where lanes are named, a row for their whole channel says nothing of its own.
        finest = [x for x in here if x.place.lane is not None] or here
        if len({x.kind for x in finest}) > 1:
            shown += _by_place(x for x in here if x.kind is not ChangeKind.SAME)
    return shown + _by_place(x for x in links.get(None, ()) if x.kind is not ChangeKind.SAME)


def _by_place(changes: Iterable[Change]) -> list[Change]:
    return sorted(
        changes,
        key=lambda c: tuple(
            (v is not None, isinstance(v, str), v if v is not None else 0)
            for v in (c.place.channel, c.place.rank, c.place.lane)
        ),
    )


def _place(place: Place) -> str:
    """`U6`, or `U6 ch 3 lane 1`; rank 0 goes without saying."""
    parts = [] if place.site is None else [place.site]
    for word, value in (
        ("rail", place.rail),
        ("part", place.partition),
        ("ch", place.channel),
        ("rank", place.rank or None),
        ("lane", place.lane),
    ):
        if value is not None:
            parts.append(f"{word} {value}")
    return clip(" ".join(parts) or "the board", PLACE)


def _cells(change: Change) -> tuple[str, ...]:
    """One row of the table, `-` where a run does not say."""
    a, b = change.before, change.after
    return (
        _place(change.place),
        change.kind.value,
        clip(_arrow(a.worst, b.worst), CELL),
        clip(_eyes(a.eye, b.eye), CELL),
        _arrow(_errors(a), _errors(b)),
        _short_ratio(change.rate),
        NOT_SAID if change.rate is None else _p(change.rate.p_adjusted),
    )


def _errors(state: State) -> str | None:
    return None if state.errors is None else show_count(state.errors)


def _arrow(before: str | None, after: str | None) -> str:
    """`fail > pass`; one word where both are alike, `-` where a run does not say."""
    if before == after:
        return before or NOT_SAID
    return f"{before or NOT_SAID} > {after or NOT_SAID}"


def _eyes(before: str | None, after: str | None) -> str:
    """`0.15 > 0.46UI`: a unit both share is said once."""
    if before and after:
        unit = after.lstrip("0123456789.e+-")
        if unit and before.endswith(unit):
            before = before.removesuffix(unit)
            return after if before + unit == after else f"{before} > {after}"
    return _arrow(before, after)


def _short_ratio(r: Rate | None) -> str:
    """`0.21 (0.02..1.0)`, the exact two-sided limits of the ratio of the rates."""
    if r is None:
        return NOT_SAID
    middle = "" if r.ratio is None else f"{_number(r.ratio)} "
    high = "inf" if r.high is None else _number(r.high)
    return f"{middle}({_number(r.low)}..{high})"


def _number(value: float) -> str:
    return f"{value:.2g}" if 1e-2 <= value < 99.5 or value == 0 else show_rate(value)


def _p(p: float) -> str:
    return "<0.0001" if p < 1e-4 else f"{p:.2g}"
