"""Damage to a single row: a word, a cell, a line."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from tests.simulator.damaging import Change, Scrap, Weight
from tests.simulator.paper import UNSAID, Table, attempt, cells, covered, put, sound

FAILED = {
    "fail": ("FAILED", "BAD", "ERROR", "bad"),
    "no-response": ("TIMEOUT", "no_response", "NoResponse", "timeout"),
    "not-found": ("NotFound", "not_found"),
}
"""Words of the contract's list of synonyms."""
PASSED = ("PASSED", "ok", "good", "PASS", "Pass")
STRANGE = ("FAILDE", "xx", "???", "pa#s", "fa", "brk", "0x3f", "!")
"""Words in no vocabulary of results, and no slip of a word that means well."""
MEASURED = ("width", "height", "window", "bits", "errors", "rose", "fell", "edc")
MALFORMED = ("0.4?6", "O.46UI", "~~", "1.2.3", "4x", "0..5", "<nul>", "?")
MANY = (400, 2000, 5000, 123456)
"""More wrong bits in one lane than stray upsets make; the fewest, in 1e13 bits, prove a rate above
the 1e-12 that a repaired board must stay below by default."""


def _passes(scrap: Scrap) -> list[tuple[int, dict[str, str]]]:
    """Rows of the last attempt that say `pass`, of steps with another row to compare them with:
    what a step says of the whole board at once may be a habit of the rig."""
    last = scrap.paper.last_attempt
    rows = [(k, r) for k, r in scrap.paper.rows("training") if attempt(r) == last]
    steps = [r.get("step") for _, r in rows]
    return [(k, r) for k, r in rows if r.get("result") == "pass" and steps.count(r.get("step")) > 1]


def _said(scrap: Scrap, words: tuple[str, ...], weight: Weight) -> Change | None:
    """The result of one row replaced by one of these words."""
    found, table = _passes(scrap), scrap.paper.table("training")
    if not found or table is None:
        return None
    at, row = scrap.rng.choice(found)
    word = scrap.rng.choice(words)
    line = put(scrap.lines[at], table.columns.index("result"), word)
    notice = f"the {row.get('step')} step of one row says {word}"
    return Change(scrap.with_line(at, line), weight, notice, (at,), _sites(scrap, row))


def _sites(scrap: Scrap, row: dict[str, str]) -> tuple[str, ...]:
    if scrap.board is None:
        return (row["site"],) if "site" in row else ()
    return tuple(sorted({site for site, *_ in covered(row, scrap.board)}))


def _cell(scrap: Scrap, columns: tuple[str, ...]) -> tuple[int, int, Table] | None:
    """One said cell of one of these columns: its line, its number, its table."""
    able = [
        (k, table.columns.index(name), table)
        for table in scrap.paper.tables
        if table.section in ("training", "counts")
        for k, row in scrap.paper.rows(table.section)
        for name in columns
        if name in row and name in table.columns
    ]
    return scrap.rng.choice(able) if able else None


def cell_malformed(scrap: Scrap) -> Change | None:
    found = _cell(scrap, MEASURED)
    if found is None:
        return None
    at, number, table = found
    line = put(scrap.lines[at], number, word := scrap.rng.choice(MALFORMED))
    notice = f"a cell of the column {table.columns[number]} says {word}"
    return Change(scrap.with_line(at, line), Weight.FORBIDS, notice, (at,))


def comma_for_point(scrap: Scrap) -> Change | None:
    found = _cell(scrap, ("width",))
    if found is None or "." not in (word := cells(scrap.lines[found[0]])[found[1]]):
        return None
    at, number, _ = found
    line = put(scrap.lines[at], number, word.replace(".", ","))
    return Change(scrap.with_line(at, line), Weight.HARMLESS, "a decimal comma", (at,))


def last_cell_lost(scrap: Scrap) -> Change | None:
    """A missing last cell is one that was not said: harm is done where that cell is what the row
    is there for."""
    table = scrap.some_table()
    full = [
        k
        for k in (table.rows if table else ())
        if table
        and len(words := cells(scrap.lines[k])) == len(table.columns)
        and words[-1] not in UNSAID
    ]
    if table is None or not full:
        return None
    at = scrap.rng.choice(full)
    last = len(table.columns) - 1
    needed = table.columns[-1] in ("result", "errors")
    lines = scrap.with_line(at, put(scrap.lines[at], last, ""))
    weight = Weight.FORBIDS if needed or scrap.unheard(lines) else Weight.OPEN
    return Change(lines, weight, f"the cell of {table.columns[-1]} is missing", (at,))


def middle_cell_lost(scrap: Scrap) -> Change | None:
    table = scrap.some_table()
    if table is None or len(table.columns) < 3:
        return None
    at = scrap.rng.choice(table.rows)
    if (count := len(cells(scrap.lines[at]))) < 3:
        return None
    line = put(scrap.lines[at], scrap.rng.randrange(count - 1), "")
    return _mangled(scrap, table, at, line, "a cell in the middle of the row is missing")


def _mangled(scrap: Scrap, table: Table, at: int, line: str, notice: str) -> Change:
    """A row that may or may not still look like one: only where it does not can it be noticed."""
    lines = scrap.with_line(at, line)
    plain = sound(cells(line), table.columns) and not scrap.unheard(lines)
    return Change(lines, Weight.OPEN if plain else Weight.FORBIDS, notice, (at,))


def characters_lost(scrap: Scrap) -> Change | None:
    """A terminal that drops out: some characters of a row never arrived."""
    table = scrap.some_table()
    if table is None:
        return None
    at = scrap.rng.choice(table.rows)
    line = scrap.lines[at]
    first = scrap.rng.randrange(max(1, len(line) - 2))
    left = line[:first] + line[first + scrap.rng.randint(2, 9) :]
    if left.split() == line.split() or not left.strip():
        return None
    return _mangled(scrap, table, at, left, "characters of the row are missing")


def row_deleted(scrap: Scrap, adjusted: bool) -> Change | None:
    """One row gone, with the number behind `[end]` as it was, or told anew."""
    table = scrap.some_table(rows=3)
    if table is None or (scrap.paper.told is None and not adjusted):
        return None
    at = scrap.rng.choice(table.rows[:-1])
    lines = scrap.without([at])
    if not adjusted:
        end = None if scrap.paper.end is None else scrap.paper.end - 1
        return Change(lines, Weight.FORBIDS, "a row less than [end] says", (end or 0,))
    lines = scrap.ended(lines, -1)
    gone = scrap.unheard(lines)
    return Change(lines, Weight.FORBIDS if gone else Weight.OPEN, "a row is missing", (), gone)


def contradicted(scrap: Scrap) -> Change | None:
    """The same step at the same place in the same attempt, once more and with another end."""
    found, table = _passes(scrap), scrap.paper.table("training")
    if not found or table is None:
        return None
    at, row = scrap.rng.choice(found)
    word = scrap.rng.choice(tuple(FAILED))
    other = put(scrap.lines[at], table.columns.index("result"), word)
    both = [scrap.lines[at], other]
    first = scrap.rng.random() < 0.5
    lines = scrap.ended(scrap.with_line(at, *(reversed(both) if first else both)), 1)
    notice = f"one row says pass and another {word} of the same step"
    where = (at, at + 1)
    return Change(lines, Weight.FORBIDS, notice, where, _sites(scrap, row))


def errors_counted(scrap: Scrap) -> Change | None:
    table = scrap.paper.table("counts")
    able = [(k, row) for k, row in scrap.paper.rows("counts") if row.get("errors") == "0"]
    if table is None or not able:
        return None
    at, row = scrap.rng.choice(able)
    line = put(scrap.lines[at], table.columns.index("errors"), many := str(scrap.rng.choice(MANY)))
    notice = f"{many} wrong bits in one row"
    return Change(scrap.with_line(at, line), Weight.FORBIDS, notice, (at,), _sites(scrap, row))


def glued(scrap: Scrap) -> Change | None:
    """Two rows in one line: the end of the first never arrived."""
    table = scrap.some_table(rows=2)
    if table is None:
        return None
    pairs = [a for a, b in zip(table.rows, table.rows[1:], strict=False) if b == a + 1]
    if not pairs:
        return None
    at = scrap.rng.choice(pairs)
    line = scrap.lines[at] + scrap.rng.choice(("", " ", "   ")) + scrap.lines[at + 1].lstrip()
    lines = (*scrap.lines[:at], line, *scrap.lines[at + 2 :])
    return Change(lines, Weight.FORBIDS, "two rows in one line", (at,))


def wrapped(scrap: Scrap) -> Change | None:
    """A line broken at the width of a terminal: both halves are there, and can be joined."""
    table = scrap.some_table()
    if table is None:
        return None
    at = scrap.rng.choice(table.rows)
    line = scrap.lines[at]
    n = scrap.rng.randint(len(line) // 3, len(line) - 2)
    if not line[:n].strip() or not line[n:].strip():
        return None
    lines = scrap.with_line(at, line[:n], line[n:])
    return Change(lines, Weight.OPEN, "a row broken in two", (at, at + 1))


def foreign(scrap: Scrap) -> Change | None:
    """A row of another board's dump, which failed there; nothing says that it is not of this."""
    found, table = _passes(scrap), scrap.paper.table("training")
    if not found or table is None:
        return None
    at, _ = scrap.rng.choice(found)
    source, row = scrap.rng.choice(found)
    line = put(scrap.lines[source], table.columns.index("result"), "fail")
    if "site" in row:
        line = put(line, table.columns.index("site"), "X97")
    lines = (*scrap.lines[: at + 1], line, *scrap.lines[at + 1 :])
    return Change(lines, Weight.FORBIDS, "a row that says fail of another place", (at + 1,))


def commented(scrap: Scrap) -> Change | None:
    table = scrap.some_table()
    if table is None:
        return None
    at = scrap.rng.choice(table.rows)
    lines = scrap.with_line(at, scrap.lines[at] + "   # looked at twice")
    return Change(lines, Weight.HARMLESS, "a remark behind a row", (at,))


def _words(words: tuple[str, ...], weight: Weight) -> Callable[[Scrap], Change | None]:
    return partial(_said, words=words, weight=weight)


KINDS: dict[str, Callable[[Scrap], Change | None]] = {
    "fail": _words(("fail",), Weight.FORBIDS),
    "not-found": _words(("not-found",), Weight.FORBIDS),
    "no-response": _words(("no-response",), Weight.FORBIDS),
    "strange result": _words(STRANGE, Weight.FORBIDS),
    "synonym of a failure": _words(sum(FAILED.values(), ()), Weight.FORBIDS),
    "synonym of pass": _words(PASSED, Weight.HARMLESS),
    "malformed cell": cell_malformed,
    "decimal comma": comma_for_point,
    "last cell lost": last_cell_lost,
    "middle cell lost": middle_cell_lost,
    "characters lost": characters_lost,
    "row deleted": partial(row_deleted, adjusted=False),
    "row deleted, end told anew": partial(row_deleted, adjusted=True),
    "contradicting row": contradicted,
    "errors counted": errors_counted,
    "two rows in one line": glued,
    "row wrapped": wrapped,
    "row of another dump": foreign,
    "remark behind a row": commented,
}
