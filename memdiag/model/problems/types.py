"""The types of a problem, and the one way to make one."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from functools import cache
from importlib import import_module

from msgspec import Struct


class Severity(StrEnum):
    """How bad: an error lost data, a warning qualifies a result, info is worth knowing."""

    ERROR = "error"
    WARNING = "warning"
    INFO = "info"


class Position(Struct, frozen=True, order=True):
    """A place in the pasted text: line and column, both counted from 1."""

    line: int
    column: int = 1


class Problem(Struct, frozen=True):
    """One thing that was wrong: `position` is None where it concerns no single line."""

    code: str
    severity: Severity
    position: Position | None
    message: str
    hint: str

    def sentence(self) -> str:
        """`line 12, column 5: message. Hint.` on one line, for a terminal."""
        where = ""
        if self.position is not None:
            where = f"line {self.position.line}, column {self.position.column}: "
        return f"{where}{self.message}" + (f" ({self.hint})" if self.hint else "")


class ProblemKind(Struct, frozen=True):
    """A catalogue entry. `message` and `hint` are format strings; `provoked_by` are inputs which
    must produce the code: dump texts, or profile / grammar / shop texts according to `via`."""

    severity: Severity
    message: str
    hint: str
    provoked_by: tuple[str | bytes, ...] = ()
    via: str = "dump"


_ROOMS = (
    *("reading", "repairs", "pastes", "boards", "runs", "layouts", "settings", "comparing"),
    *("learning", "cases", "ledger", "batch", "bench", "capture", "making"),
)


@cache
def catalogue() -> Mapping[str, ProblemKind]:
    """Every code with its kind. Raises ValueError if two rooms claim one code."""
    found: dict[str, ProblemKind] = {}
    for room in _ROOMS:
        for code, kind in import_module(f"memdiag.model.problems.{room}").KINDS.items():
            if code in found:
                raise ValueError(f"problem code {code!r} stands twice in the catalogue")
            found[code] = kind
    return found


def problem(code: str, position: Position | None = None, **fields: object) -> Problem:
    """Make the problem `code`, its texts filled from `fields`.

    Raises KeyError for a code that is not in the catalogue or a field its texts lack.
    """
    kind = catalogue()[code]
    return Problem(
        code, kind.severity, position, kind.message.format(**fields), kind.hint.format(**fields)
    )
