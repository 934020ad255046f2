"""Filling the form of a profile from a parsed text, and saying all that is wrong with it.

Every field is checked by itself with msgspec, so that one wrong value does not hide the next: a
technician who writes a profile wants all its faults at once.
"""

from __future__ import annotations

import reprlib
from collections.abc import Iterable, Mapping
from typing import Any, cast

import msgspec
from msgspec import Struct

from memdiag.boards.profile_form import ENTRY, TABLES, WRITTEN, ProfileForm
from memdiag.boards.whereabouts import Whereabouts
from memdiag.model.problems import Problem, problem
from memdiag.model.spelling import closest
from memdiag.model.toml_places import Path

MOST_PROBLEMS = 200
"""Nobody mends more at once; a file with more is none, and its rest is not looked at."""


def nearest(word: str, known: Iterable[str]) -> str:
    """`; nearest is "VDDQ"`, or nothing where none is near."""
    near = closest(word, known, cutoff=0.5)
    return "" if near is None else f'; nearest is "{near}"'


def fill(names: Whereabouts) -> tuple[ProfileForm | None, tuple[Problem, ...]]:
    """The form filled from the tables of a profile, and everything wrong with it.

    The form is None where a needed key is missing or wrong; else wrong fields are left at their
    defaults and said.
    """
    filler = _Filler(names)
    form = filler.table(ProfileForm, names.data, "", ())
    if not {"site", "sites"} & set(names.data):
        filler.missing("", (), "[[site]]", "list of tables")
        form = None
    return cast("ProfileForm | None", form), tuple(filler.found)


class _Filler:
    """Collects what is wrong, with where it stands: in words for the reader, as a path for the
    line."""

    def __init__(self, names: Whereabouts) -> None:
        self.names = names
        self.found: list[Problem] = []

    def table(self, kind: type[Struct], data: Any, where: str, path: Path) -> Struct | None:
        if not isinstance(data, Mapping):
            self._value(where, path, "this", "table", data)
            return None
        fields = {field.name: field for field in msgspec.structs.fields(kind)}
        values: dict[str, Any] = {}
        whole = True
        for key, value in data.items():
            if len(self.found) >= MOST_PROBLEMS:
                return None
            field = fields.get(key)
            if field is None:
                self._unknown(where, (*path, key), key, fields)
                continue
            read = self._read(kind, field, value, where, (*path, key))
            if read is None:
                whole = whole and not field.required
            else:
                values[key] = read
        for name, field in fields.items():
            if field.required and name not in data:
                whole = False
                self.missing(where, path, _as_written(name), _wanted(field.type))
        return kind(**values) if whole else None

    def _read(self, kind: type[Struct], field: Any, value: Any, where: str, path: Path) -> Any:
        """What the value of a key stands for, None where it cannot be read."""
        key = field.name
        as_meant = WRITTEN[kind, key](value) if (kind, key) in WRITTEN else value
        if (kind, key) in TABLES:
            return self._nested(TABLES[kind, key], key, as_meant, where, path)
        try:
            return msgspec.convert(as_meant, field.type)
        except msgspec.ValidationError:
            self._value(where, path, key, _wanted(field.type, value), value)
            return None

    def _nested(self, kind: type[Struct], key: str, value: Any, where: str, path: Path) -> Any:
        """A table, or a list of them with those left out that could not be read."""
        if key not in ENTRY:
            return self.table(kind, value, f"{where}[{key}] ", path)
        word, by = ENTRY[key]
        if not isinstance(value, list):
            self._value(where, path, _as_written(key), "list of tables", value)
            return None
        entries = []
        for number, item in enumerate(value):
            name = item.get(by) if isinstance(item, Mapping) else None
            named = f"{word} number {number + 1}"
            if isinstance(name, str | int):
                named = f"{word} {_brief(name)}"
            entries.append(self.table(kind, item, f"{where}{named}: ", (*path, number)))
        return [entry for entry in entries if entry is not None]

    def missing(self, where: str, path: Path, key: str, wanted: str) -> None:
        self._say("profile-missing", path, where=where, key=key, wanted=wanted)

    def _value(self, where: str, path: Path, key: str, wanted: str, value: Any) -> None:
        shown = _show(value)
        self._say("profile-value", path, where=where, key=key, wanted=wanted, value=shown)

    def _unknown(self, where: str, path: Path, key: str, known: Iterable[str]) -> None:
        near, words = nearest(key, known), ", ".join(known)
        self._say("profile-key", path, where=where, key=_brief(key), nearest=near, known=words)

    def _say(self, code: str, path: Path, **fields: str) -> None:
        self.found.append(problem(code, self.names.at(*path), file=self.names.file, **fields))


def _as_written(key: str) -> str:
    return f"[[{key}]]" if key in ("site", "sites", "rail") else key


def _wanted(kind: Any, value: Any = None) -> str:
    """The field's description; for a choice also the words there are and the one meant."""
    schema = msgspec.json.schema(kind)
    text = str(schema.get("description") or _inner(schema, "description") or "list of tables")
    words = schema.get("enum") or _inner(schema, "enum")
    if words and not text.startswith('"'):
        text += f" ({', '.join(words)})"
    return text + (nearest(value, words) if words and isinstance(value, str) else "")


def _inner(schema: Mapping[str, Any], key: str) -> Any:
    return next((part[key] for part in schema.get("anyOf", ()) if key in part), None)


def _show(value: Any) -> str:
    return f'"{_brief(value)}"' if isinstance(value, str) else _brief(value)


def _brief(value: Any) -> str:
    """A value in 40 characters, however deep, long or large it is."""
    text = value if isinstance(value, str) else _SHORT.repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


class _Short(reprlib.Repr):
    def repr_int(self, x: int, level: int) -> str:
        # Python prints no number of 5000 digits.
        return "a very large number" if x.bit_length() > 99 else str(x)


_SHORT = _Short()
_SHORT.maxlevel = 3
