"""Damage to more than a row: names, tables, lanes, packages, the tail of a paste."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import partial

from tests.simulator.damaging import Change, Scrap, Weight
from tests.simulator.paper import Place, Table, covered, put

NEEDED = {"training": ("step", "result"), "counts": ("errors",)}
"""The columns without which a table says nothing of a board."""
WILD = ("qqq", "t~r", "x9k2", "zzzz")


def _rows_of(scrap: Scrap, gone: Iterable[Place]) -> list[int]:
    """The rows that speak of no link but these."""
    gone = set(gone)
    assert scrap.board is not None
    return [
        k
        for section in ("training", "counts", "errors")
        for k, row in scrap.paper.rows(section)
        if len(at := covered(row, scrap.board)) > 0 and at <= gone
    ]


def _block_deleted(scrap: Scrap, wide: bool) -> Change | None:
    """All rows of a lane, or of a package, gone; nothing behind `[end]` tells how many there
    were."""
    if scrap.board is None or scrap.paper.end is None:
        return None
    heard = sorted(scrap.paper.heard(scrap.board))
    if not heard or scrap.paper.table("errors"):
        return None  # whether a list of errors is complete, and so speaks of all, is not on paper
    site, *lane = scrap.rng.choice(heard)
    gone = {link for link in heard if link[0] == site and (wide or list(link[1:]) == lane)}
    rows = _rows_of(scrap, gone)
    lines = scrap.without(rows, end="[end]")
    silent = scrap.unheard(lines)
    if not rows or not silent:
        return None
    what = "package" if wide else "lane"
    return Change(lines, Weight.FORBIDS, f"no row of one {what}", (), silent)


def _tail(scrap: Scrap) -> tuple[Table, int] | None:
    """A table with a row to cut at: not its first, so that something is left."""
    table = scrap.some_table(rows=4)
    return None if table is None else (table, scrap.rng.choice(table.rows[1:]))


def cut(scrap: Scrap) -> Change | None:
    """The paste ends at some row, or within it."""
    tail = _tail(scrap)
    if tail is None:
        return None
    at = tail[1]
    line = scrap.lines[at]
    rest = line[: scrap.rng.randint(0, len(line))] if scrap.rng.random() < 0.5 else ""
    lines = (*scrap.lines[:at], *([rest] if rest.strip() else []))
    return Change(lines, Weight.FORBIDS, "no [end]", (len(lines) - 1,))


def cut_and_ended(scrap: Scrap) -> Change | None:
    """The paste ends at some row, and somebody put `[end]` behind it."""
    tail = _tail(scrap)
    if tail is None:
        return None
    lines = (*scrap.lines[: tail[1]], "", "[end]")
    return _shortened(scrap, lines, "rows are missing at the end")


def _shortened(scrap: Scrap, lines: tuple[str, ...], notice: str) -> Change | None:
    silent = tuple(sorted({*scrap.unheard(lines), *scrap.stopped(lines)}))
    weight = Weight.FORBIDS if silent else Weight.OPEN
    return Change(lines, weight, notice, (), silent)


def scan_cut(scrap: Scrap) -> Change | None:
    """Training stops in the middle; what comes after it is there, and `[end]` agrees."""
    table = scrap.paper.table("training")
    if table is None or len(table.rows) < 4:
        return None
    first = scrap.rng.randrange(2, len(table.rows))
    lines = scrap.without(gone := table.rows[first:])
    return _shortened(scrap, scrap.ended(lines, -len(gone)), "training stops in its middle")


def only_ids(scrap: Scrap, share: float) -> Change | None:
    """Nothing but the identification, or a part of it."""
    rows = list(scrap.paper.rows("training"))
    kept = [k for k, row in rows if row.get("step") == "id"]
    kept = kept[: max(1, round(share * len(kept)))]
    if not kept:
        return None
    tables = scrap.paper.tables
    gone = {k for t in tables for k in t.rows} - set(kept)
    gone |= {k for t in tables if t.section != "training" for k in (t.opened, t.header)}
    lines = scrap.ended(scrap.without(gone), -sum(len(t.rows) for t in tables) + len(kept))
    if scrap.paper.told is not None:
        lines = tuple(f"[end] {len(kept)}" if k.startswith("[end]") else k for k in lines)
    sites = () if scrap.board is None else tuple(s.ref.lower() for s in scrap.board.sites)
    return Change(lines, Weight.FORBIDS, "identification and nothing else", (), sites)


def _slip(scrap: Scrap, word: str) -> str:
    """A word with one letter left out or two changed over."""
    k = scrap.rng.randrange(1, len(word) - 1)
    swapped = word[:k] + word[k + 1] + word[k] + word[k + 2 :]
    return scrap.rng.choice((word[:k] + word[k + 1 :], swapped))


def section_name(scrap: Scrap, wild: bool) -> Change | None:
    table = scrap.some_table()
    if table is None:
        return None
    name = scrap.rng.choice(WILD) if wild else _slip(scrap, table.section)
    lines = scrap.with_line(table.opened, f"[{name}]")
    weight = Weight.FORBIDS if wild else Weight.OPEN
    return Change(lines, weight, f"a table of the name {name}", (table.opened, *table.rows))


def column_name(scrap: Scrap, wild: bool) -> Change | None:
    table = scrap.some_table()
    able = [c for c in NEEDED[table.section] if c in table.columns] if table else []
    if table is None or not able:
        return None
    column = scrap.rng.choice(able)
    name = scrap.rng.choice(WILD) if wild else _slip(scrap, column)
    header = put(scrap.lines[table.header], table.columns.index(column), name)
    lines = scrap.with_line(table.header, header)
    told = column == "errors" and _told_elsewhere(scrap, table)
    weight = Weight.FORBIDS if wild and not told else Weight.OPEN
    return Change(lines, weight, f"a column of the name {name}", (table.header, *table.rows))


def _told_elsewhere(scrap: Scrap, table: Table) -> bool:
    """Whether what a count table says of errors is known without it: their two directions make the
    sum, and a list of errors has each of them."""
    return {"rose", "fell"} <= set(table.columns) or scrap.paper.table("errors") is not None


def header_lost(scrap: Scrap) -> Change | None:
    table = scrap.some_table()
    if table is None:
        return None
    lines = scrap.without([table.header])
    at = tuple(range(table.opened, table.opened + 1 + len(table.rows)))
    return Change(lines, Weight.FORBIDS, "a table without its header", at)


def behind_end(scrap: Scrap) -> Change | None:
    """Some rows stand behind `[end]`."""
    end = scrap.paper.end
    tables = [t for t in scrap.paper.tables if t.section in ("training", "counts")]
    if end is None or not tables or len(tables[-1].rows) < 4:
        return None
    rows = tables[-1].rows[-scrap.rng.randint(1, 3) :]
    moved = [scrap.lines[k] for k in rows]
    kept = scrap.without(rows)
    first = end - len(rows) + 1
    lines = (*kept[:first], *moved, *kept[first:])
    at = tuple(range(first - 1, first + len(rows)))
    return Change(lines, Weight.FORBIDS, "rows behind [end]", at)


def crlf(scrap: Scrap) -> Change | None:
    return Change(tuple(k + "\r" for k in scrap.lines), Weight.HARMLESS, "lines end in CRLF")


def shouted(scrap: Scrap) -> Change | None:
    """Words in capitals; a unit keeps its case, for `mV` and `MV` are not the same, and so does
    the head, where names are looked up."""
    tables = [t for t in scrap.paper.tables if t.section in ("training", "counts")]
    spoken = {k for t in tables for k in (t.opened, t.header, *t.rows)}
    if not spoken:
        return None
    lines = tuple(
        re.sub(r"(?<!\S)[^\s\d]\S*", lambda m: m[0].upper(), k) if n in spoken else k
        for n, k in enumerate(scrap.lines)
    )
    return Change(lines, Weight.HARMLESS, "words in capitals")


KINDS: dict[str, Callable[[Scrap], Change | None]] = {
    "lane deleted": partial(_block_deleted, wide=False),
    "package deleted": partial(_block_deleted, wide=True),
    "cut": cut,
    "cut and ended": cut_and_ended,
    "scan cut": scan_cut,
    "only ids": partial(only_ids, share=1.0),
    "half of the ids": partial(only_ids, share=0.5),
    "section misspelt": partial(section_name, wild=False),
    "section unknown": partial(section_name, wild=True),
    "column misspelt": partial(column_name, wild=False),
    "column unknown": partial(column_name, wild=True),
    "header lost": header_lost,
    "rows behind end": behind_end,
    "lines end in CRLF": crlf,
    "in capitals": shouted,
}
