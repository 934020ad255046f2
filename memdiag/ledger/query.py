"""Questions to the index, over the views that people read."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy import ColumnElement, Select
from sqlalchemy.engine import Connection

from memdiag.ledger.filters import Filter
from memdiag.model.ledger import VIEWS

_SA_KINDS: Mapping[str, type[sa.types.TypeEngine[Any]]] = {
    "text": sa.Text,
    "integer": sa.Integer,
    "real": sa.Float,
    "boolean": sa.Boolean,
}

VIEW = {
    name: sa.table(name, *(sa.column(c.name, _SA_KINDS[c.kind]) for c in columns))
    for name, columns in VIEWS.items()
}

_ORDER = {
    "tickets": ("last_at", "ticket"),
    "runs": ("at", "ticket", "entry", "position"),
    "findings": ("at", "ticket", "entry", "position", "number"),
    "heat": ("at", "ticket", "entry", "position", "own", "worked_at", "action", "site"),
    "outcomes": ("at", "ticket", "entry"),
}


def rows(connection: Connection, view: str, wanted: Filter) -> list[dict[str, Any]]:
    """The rows of a view that the filter lets through, in the order of time."""
    table = VIEW[view]
    query = sa.select(table).where(*_conditions(view, wanted))
    query = query.order_by(*(table.c[name] for name in _ORDER[view]))
    return [dict(row) for row in connection.execute(query).mappings()]


def _conditions(view: str, wanted: Filter) -> list[ColumnElement[bool]]:
    table = VIEW[view]
    made = []
    for name in ("ticket", "serial", "board"):
        if (value := getattr(wanted, name)) is not None:
            own = name in table.c
            made.append(_same(table.c[name], value) if own else _tickets_with(name, value, table))
    first = "first_at" if view == "tickets" else "at"
    last = "last_at" if view == "tickets" else "at"
    if wanted.since is not None:
        made.append(table.c[last] >= wanted.since.isoformat())
    if wanted.until is not None:
        made.append(table.c[first] < (wanted.until + timedelta(days=1)).isoformat())
    if wanted.text:
        made.append(table.c.ticket.in_(_saying(wanted.text)))
    found = {"site": wanted.site, "cause": wanted.cause, "action": wanted.action}
    return made + _of_findings(view, {name: value for name, value in found.items() if value})


def _tickets_with(name: str, value: str, table: sa.TableClause) -> ColumnElement[bool]:
    runs = VIEW["runs"]
    return table.c.ticket.in_(sa.select(runs.c.ticket).where(_same(runs.c[name], value)))


def _of_findings(view: str, found: Mapping[str, str]) -> list[ColumnElement[bool]]:
    """Site, cause and action: of one finding together, of the row itself where it is one; of a
    ticket, whatever any run of it says."""
    if not found:
        return []
    table = VIEW[view]
    if view == "findings":
        return [_of_column(table, name, value) for name, value in found.items()]
    own = {"heat": ("site", "action"), "outcomes": ("site", "cause")}.get(view, ())
    made = [_of_column(table, name, value) for name, value in found.items() if name in own]
    rest = {name: value for name, value in found.items() if name not in own}
    if rest:
        asked = [_of_ticket(VIEW[v], rest) for v in ("findings", "runs")]
        made.append(sa.or_(*(table.c.ticket.in_(one) for one in asked)))
    return made


def _of_ticket(table: sa.TableClause, found: Mapping[str, str]) -> Select[tuple[str]]:
    return sa.select(table.c.ticket).where(*(_of_column(table, n, v) for n, v in found.items()))


def _of_column(table: sa.TableClause, name: str, value: str) -> ColumnElement[bool]:
    column = table.c["was" if name == "cause" and "was" in table.c else name]
    if name == "site" and "one_of" in table.c:
        among = sa.func.lower(sa.literal(" ") + table.c.one_of + sa.literal(" "))
        return sa.or_(_same(column, value), among.contains(f" {value.lower()} ", autoescape=True))
    return _same(column, value)


def _same(column: ColumnElement[Any], value: str) -> ColumnElement[bool]:
    return sa.func.lower(column) == value.lower()


def _saying(text: str) -> Select[tuple[str]]:
    runs, told = VIEW["runs"], VIEW["outcomes"]
    columns = (runs.c.ticket, runs.c.serial, runs.c.run, runs.c.says)
    asked = [sa.select(runs.c.ticket).where(sa.or_(*(_has(c, text) for c in columns)))]
    asked.append(sa.select(told.c.ticket).where(_has(told.c.note, text)))
    return sa.select(sa.union(*asked).subquery().c.ticket)


def _has(column: ColumnElement[Any], text: str) -> ColumnElement[bool]:
    return sa.func.lower(column).contains(text.lower(), autoescape=True)
