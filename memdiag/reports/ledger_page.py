"""What the ledger holds becomes a page: a list, one ticket, a view to take away."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from memdiag import __version__
from memdiag.model.ledger import LEDGER_FORMAT, VIEWS, Row, SiteHeat
from memdiag.model.quantities import show_probability
from memdiag.reports.ledger_frame import view_frame
from memdiag.reports.page import NOT_SAID, Column, ColumnPage, Grid, Page, Part, Sheet, Statement
from memdiag.reports.page import Row as GridRow

Rows = Sequence[Row]

# What is shown of a view, in order; 1 goes first where a terminal is too narrow.
_SHOWN: Mapping[str, tuple[tuple[str, int], ...]] = {
    "tickets": (
        ("ticket", 0),
        ("serial", 0),
        ("board", 0),
        ("last_at", 3),
        ("runs", 2),
        ("stage", 2),
        ("site", 0),
        ("cause", 0),
        ("probability", 1),
        ("action", 0),
        ("outcomes", 1),
    ),
    "runs": (
        ("at", 0),
        ("stage", 0),
        ("run", 2),
        ("removed", 0),
        ("replaced", 0),
        ("reflowed", 0),
        ("swapped", 0),
        ("place", 0),
        ("cause", 0),
        ("probability", 1),
        ("action", 0),
    ),
    "findings": (
        ("ticket", 0),
        ("serial", 0),
        ("board", 1),
        ("at", 0),
        ("stage", 1),
        ("site", 0),
        ("rail", 0),
        ("one_of", 2),
        ("cause", 0),
        ("probability", 0),
        ("action", 0),
    ),
    "heat": (
        ("at", 1),
        ("stage", 2),
        ("action", 0),
        ("worked_at", 0),
        ("site", 0),
        ("cycles", 0),
        ("total", 0),
        ("gap_mm", 0),
    ),
    "outcomes": (
        ("ticket", 1),
        ("at", 0),
        ("site", 0),
        ("rail", 0),
        ("was", 0),
        ("kind", 1),
        ("cured", 0),
        ("proof", 0),
        ("against", 2),
    ),
}


def view_page(view: str, rows: Rows, said: str) -> ColumnPage:
    """Rows of one view, all its columns where they are taken away as figures."""
    names = tuple(column.name for column in VIEWS[view])
    return ColumnPage(
        f"ledger: {view}",
        lambda: [Part(answer=Statement(said, ()), grid=grid(view, rows, view.title()))],
        partial(document, {view: rows}),
        lambda: Sheet(names, [[row[name] for name in names] for row in rows]),
        frame=partial(view_frame, view, rows),
    )


def ticket_page(
    ticket: str, views: Mapping[str, Rows], heat: Sequence[SiteHeat], warnings: Sequence[str]
) -> Page:
    """One ticket: its runs in order, the heat that its sites had, and what its repair showed."""
    runs = views["runs"]
    last = runs[-1] if runs else None
    says = f"{ticket}: {len(runs)} run{'s' * (len(runs) != 1)}"
    more = (f"last: {last['says']}",) if last else ()
    parts = [
        Part(answer=Statement(says, more), grid=grid("runs", runs, "Runs"), cautions=(*warnings,)),
        Part(title="Heat cycles", grid=_heat(heat)) if heat else None,
        Part(title="Outcomes", grid=grid("outcomes", views["outcomes"], "Outcomes"))
        if views["outcomes"]
        else None,
    ]
    names = tuple(column.name for column in VIEWS["runs"])
    return Page(
        f"ticket {ticket}",
        lambda: [part for part in parts if part is not None],
        partial(document, views, ticket=ticket, said=warnings),
        lambda: Sheet(names, [[row[name] for name in names] for row in runs]),
    )


def grid(view: str, rows: Rows, title: str) -> Grid:
    """The columns of a view that a page has room for."""
    kinds = {column.name: column.kind for column in VIEWS[view]}
    columns = tuple(
        Column(
            name.replace("_", " "),
            right=kinds[name] in ("integer", "real"),
            spare=spare,
            always=spare == 0 and name in ("ticket", "site", "cause", "at"),
        )
        for name, spare in _SHOWN[view]
    )
    shown = tuple(
        GridRow(tuple(_cell(name, row[name]) for name, _ in _SHOWN[view]), "plain") for row in rows
    )
    return Grid(columns, shown, title, view)


def _cell(name: str, value: object) -> str:
    if value is None or value == "":
        return NOT_SAID
    if name.endswith("probability") and isinstance(value, float):
        return show_probability(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.1f}"
    return str(value)


def _heat(heat: Sequence[SiteHeat]) -> Grid:
    columns = tuple(
        Column(heading, right=right, always=True)
        for heading, right in (
            ("site", False),
            ("on this ticket", True),
            ("in the factory", True),
            ("beside it", True),
            ("from", False),
        )
    )
    rows = []
    for one in heat:
        factory = f"{one.factory} or more" if one.factory else "0"
        near = ", ".join(
            f"{b.site}" + (f" ({b.gap:.1f} mm)" if b.gap is not None else "") for b in one.beside
        )
        cells = (one.site, str(one.own), factory, str(one.exposed), near or NOT_SAID)
        rows.append(GridRow(cells, "plain"))
    legend = (
        "A package's life has three reflows (J-STD-020). Heat beside it may melt it or not; in "
        "brackets the gap between the packages."
    )
    return Grid(columns, tuple(rows), "Heat cycles", "sites", legend)


def document(
    views: Mapping[str, Rows], *, ticket: str | None = None, said: Sequence[str] = ()
) -> dict[str, Any]:
    """`memdiag-ledger/1`: rows of views, each with all its columns."""
    return {
        "format": LEDGER_FORMAT,
        "tool": __version__,
        "ticket": ticket,
        "said": list(said),
        "views": {name: [dict(row) for row in rows] for name, rows in views.items()},
    }
