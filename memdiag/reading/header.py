"""The lines of a dump's head -> `records.Head`. A value that is not understood costs its key."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.layouts.matcher import Cell
from memdiag.model import MEMORIES, STAGES, Head, RunLine, schema, spelling
from memdiag.model.patterns import later
from memdiag.model.problems import Problem, problem
from memdiag.model.quantities import parse
from memdiag.reading.converters import ALSO_UNSAID, shorten
from memdiag.reading.line_rows import PositionOf
from memdiag.reading.repairs import Repair

_REF = later(r"[A-Za-z0-9][\w.+/-]*")
_MOMENT = later(
    r"(\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d):(\d\d)(?:\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)?", re.ASCII
)
_OFFSET = later(r"[+-](?:[01]\d|2[0-3]):[0-5]\d", re.ASCII)
_RUNS, _LIKELY = (
    (1e6, 1e12),
    (5e7, 2e11),
)  # bit/s of a line; where two readings are to be told apart
_ANY_COMMA = later(r"^([+-]?[0-9]+),([0-9]+)(?![0-9,.])")
_THOUSANDS = later(r"^([0-9]{1,3}),([0-9]{3})(?![0-9,])")
_COMMA = later(r"^([+-]?[0-9]+),([0-9]{1,2})(?![0-9,.])")  # no thousands: too few digits
_MARKS = ("=", ":")
_SITES = ("removed", "replaced", "reflowed")
_PART = "part:"


class _Bad(ValueError):
    def __init__(self, expected: str, hint: str = "") -> None:
        self.expected, self.hint = expected, hint
        super().__init__(expected)


class Worked(NamedTuple):
    """What was worked on: sites, and parts that are no package."""

    sites: tuple[str, ...]
    parts: tuple[str, ...]


def worked(text: str) -> Worked:
    """`U6 U7`, `U6,U7`, `U6 part:D12`; `-` is nothing at all."""
    refs: list[str] = []
    parts: list[str] = []
    for word in [] if text == "-" else text.replace(",", " ").split():
        name, is_part = part(word)
        if not _REF.fullmatch(name):
            raise _Bad("designators such as U6 U7 or part:D12, or -", f"{shorten(word)!r} is none")
        (parts if is_part else refs).append(name)
    return Worked(tuple(dict.fromkeys(refs)), tuple(dict.fromkeys(parts)))


def part(word: str) -> tuple[str, bool]:
    """A designator, and whether it is marked as that of a part: `part:D12`."""
    if word[: len(_PART)].lower() == _PART:
        return word[len(_PART) :], True
    return word, False


def moves(text: str) -> tuple[tuple[str, str], ...]:
    """`U3>U5 U5>U3`: the package that sat at U3 now sits at U5."""
    found = []
    for part in [] if text == "-" else text.replace(",", " ").split():
        before, mark, after = part.partition(">")
        if not mark or not _REF.fullmatch(before) or not _REF.fullmatch(after):
            raise _Bad("moves such as U3>U5 U5>U3", f"{shorten(part)!r} is no move")
        if before == after:
            raise _Bad("moves such as U3>U5 U5>U3", f"{shorten(part)!r} moves nothing")
        found.append((before, after))
    for side, words in ((0, "left twice"), (1, "filled twice")):
        refs = [move[side] for move in found]
        twice = next((ref for ref in refs if refs.count(ref) > 1), None)
        if twice is not None:
            raise _Bad("moves that a bench can make", f"{twice} is {words}")
    return tuple(found)


def rate(text: str) -> float:
    """bit/s of one line, from `14.0 Gbit/s`."""
    found = set()
    for written in {_ANY_COMMA.sub(r"\1.\2", text), _THOUSANDS.sub(r"\1\2", text)}:
        try:
            found.add(parse(written).in_unit("bit/s"))
        except ValueError:
            continue
    if not found:
        raise _Bad("a rate per line such as 14.0 Gbit/s")
    slow, fast = _RUNS if len(found) == 1 else _LIKELY
    possible = {value for value in found if slow <= value <= fast}
    if len(possible) != 1:
        raise _Bad("a rate per line such as 14.0 Gbit/s", "no memory runs at such a rate")
    return possible.pop()


def celsius(text: str) -> float:
    try:
        reading = parse(_COMMA.sub(r"\1.\2", text))
    except ValueError:
        raise _Bad("a temperature such as 23 C") from None
    if reading.unit not in (None, "C", "°C", "degC"):
        raise _Bad("a temperature in degrees Celsius such as 23 C")
    if not -100 <= reading.value <= 300:
        raise _Bad("a temperature such as 23 C", "no bench is that cold or hot")
    return reading.value


def moment(text: str) -> str:
    """RFC 3339, 5.6, kept as written. A leap second, 60, is one of its times."""
    found = _MOMENT.fullmatch(text)
    try:
        if found is None:
            raise ValueError
        date, seconds, zone = found.groups()
        datetime.fromisoformat(f"{date}:{min(int(seconds), 59):02}")
        if int(seconds) > 60 or (zone and zone[:1] in "+-" and not _OFFSET.fullmatch(zone)):
            raise ValueError
    except ValueError:
        raise _Bad("a date and time such as 2024-05-03T14:20:00+02:00 (RFC 3339)") from None
    if not zone:
        raise _Bad(
            "a time with its zone, such as 2024-05-03T14:20:00Z (RFC 3339)",
            "the zone is missing: add Z or +02:00",
        )
    return text


def memory(text: str) -> str:
    if text.lower() not in MEMORIES:
        raise _Bad("a memory type", spelling.nearest(text, MEMORIES))
    return text.lower()


def stage(text: str) -> str:
    """One of the known stages in any case; other words are kept as they are."""
    return text.lower() if text.lower() in STAGES else text


_READ: dict[str, Any] = {
    "stage": stage,
    **dict.fromkeys(_SITES, worked),
    "swapped": moves,
    "rate": rate,
    "ambient": celsius,
    "at": moment,
    "memory": memory,
}
_LISTS = (*_SITES, "swapped")


def _unmarked(key: str, value: str) -> tuple[str, str] | None:
    """Key and value of `key: value`, `key = value`, `key=value`, without the mark between them;
    None where there is none."""
    name, mark, rest = key, "", ""
    for sign in _MARKS:
        if key.rstrip(sign) != key and len(key) > 1:
            return key.rstrip(sign), value
        before, found, after = key.partition(sign)
        if found and before.lower() in schema.RUN_KEYS and not mark:
            name, mark, rest = before, found, after
    if mark:
        return name, f"{rest} {value}".strip()
    if value[:1] in _MARKS and value[:1] and key.lower() in schema.RUN_KEYS:
        return key, value[1:].strip()
    return None


class HeadLines(Struct):
    """The lines of a head so far, each with the column of its value."""

    _lines: list[tuple[RunLine, int]] = field(default_factory=list)

    def add(self, found: Sequence[Cell], position: PositionOf) -> tuple[Repair, ...]:
        """A line with KEY and TEXT, or with terminals named after the keys themselves; what was
        written otherwise."""
        told: tuple[Repair, ...] = ()
        key = next((c for c in found if c.column == "key"), None)
        if key is not None and key.text is not None:
            texts = [c for c in found if c.column == "text" and c.text is not None]
            name, value = key.text, " ".join(c.text or "" for c in texts)
            plain = _unmarked(name, value)
            if plain is not None:
                told = (Repair("keys-otherwise", "", shorten(f"{name} {value}".strip()), ""),)
                name, value = plain
            at = position((texts[0] if texts else key).at).column
            self._lines.append((RunLine(position(key.at), name.lower(), value), at))
        for cell in found:
            if cell.column in schema.RUN_KEYS and cell.text is not None:
                where = position(cell.at)
                self._lines.append((RunLine(where, cell.column, cell.text), where.column))
        return told

    def read(self) -> tuple[Head, list[Problem]]:
        """The head, and what is wrong with it."""
        return _read(self._lines)


def _read(lines: Sequence[tuple[RunLine, int]]) -> tuple[Head, list[Problem]]:
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    for line, at in lines:
        where = replace(line.position, column=at)
        if line.key not in schema.RUN_KEYS:
            near = spelling.did_you_mean(line.key, schema.RUN_KEYS)
            hint = near or "it is kept and used for nothing"
            problems.append(problem("unknown-key", line.position, key=shorten(line.key), hint=hint))
            continue
        if line.key in values:
            problems.append(problem("repeated-key", line.position, key=line.key))
        unsaid = line.value == "-" or line.value.casefold() in ALSO_UNSAID
        if (unsaid and line.key not in _LISTS) or line.value == "":
            values[line.key] = None
            continue
        try:
            found = _READ.get(line.key, str)("-" if unsaid else line.value)
            if isinstance(found, Worked):
                values[f"{line.key}_parts"] = found.parts
                found = found.sites
            values[line.key] = found
        except _Bad as wrong:
            values.setdefault(line.key, None)
            problems.append(
                problem(
                    "bad-head-value",
                    where,
                    key=line.key,
                    found=shorten(line.value),
                    expected=wrong.expected,
                    hint=wrong.hint or "mend the line and read again",
                )
            )
    return Head(**values, lines=tuple(line for line, _ in lines)), problems
