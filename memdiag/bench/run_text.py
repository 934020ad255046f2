"""What a technician enters in a form, as a dump that every command can read.

Ohm readings, an injection and work on the board are runs like any other: they are written in the
bench's own format and go the way of every paste, with its checks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.bench.refusal import Refusal
from memdiag.model import Head, Run
from memdiag.model.problems import Severity
from memdiag.reading.load import load

OHMS, INJECTION, WORK = "ohms", "injection", "work"
"""The stages of runs that come from forms."""

_BLANKS = re.compile(r"\s+")
_LINE_ENDS = re.compile(r"[\r\n\v\f\x1c-\x1e\x85\u2028\u2029]+")


class Entered(Struct, frozen=True):
    """A run as it was entered. `before` is the head of the ticket's last run: the board, its serial
    number and what is off it are still the same. `said` are keys of the head, `rails` rows of
    `rail ohms trend`, `heat` rows of `rail volts amps hottest rise`; "" says nothing."""

    ticket: str
    stage: str
    before: Head
    said: Mapping[str, str] = field(default_factory=dict)
    rails: Sequence[Sequence[str]] = ()
    heat: Sequence[Sequence[str]] = ()

    def text(self, now: datetime) -> str:
        """The dump. The time it was entered is part of its name and not its date: the clock of a
        rig may be years off, and where a run has no date, runs are told in the order of filing."""
        off = " ".join([*(self.before.removed or ()), *map(_part, self.before.removed_parts)])
        head = {
            "id": f"entered {now.astimezone(UTC):%Y-%m-%d %H:%M:%S}",
            "board": self.before.board or "",
            "serial": self.before.serial or "",
            "memory": self.before.memory or "",
            "ticket": self.ticket,
            "stage": self.stage,
            "removed": off,
            **self.said,
        }
        lines = ["bench-dump 1", "[run]"]
        lines += [f"{key}  {_one_line(value)}" for key, value in head.items() if value.strip()]
        lines += _table("rails", "rail ohms trend", self.rails)
        lines += _table("heat", "rail volts amps hottest rise", self.heat)
        return "\n".join([*lines, f"[end] {len(self.rails) + len(self.heat)}", ""])


def checked(entered: Entered, board: str | None, now: datetime) -> bytes:
    """The dump of what was entered. Raises Refusal with what could not be understood of it: a form
    is put right before it is filed, not afterwards."""
    raw = entered.text(now).encode("utf-8", "replace")
    (run,) = load(raw, board=board)
    wrong = tuple(p for p in run.problems if p.severity is not Severity.INFO and _is_of(p.code))
    if run.lost or wrong:
        raise Refusal(422, wrong or run.problems)
    return raw


def _is_of(code: str) -> bool:
    """Whether a problem speaks of what was entered: that a form measures no lane is no fault."""
    return code not in _EXPECTED


_EXPECTED = frozenset({"board-unknown", "board-unsaid"})


def _table(name: str, columns: str, rows: Iterable[Sequence[str]]) -> list[str]:
    made = ["  ".join(_cell(cell) for cell in row) for row in rows]
    return [f"[{name}]", columns, *made] if made else []


def _cell(words: str) -> str:
    """A cell holds no blank and never opens a section or a comment."""
    return _BLANKS.sub("", words).replace("#", "").replace("[", "") or "-"


def _one_line(words: str) -> str:
    return _LINE_ENDS.sub(" ", words).strip()


def _part(name: str) -> str:
    return f"part:{name}"


def last_head(runs: Sequence[Run]) -> Head:
    """The head that a new run carries on from. What only an earlier run says (the board, its serial
    number, its memory) is taken from there."""
    last = runs[-1].head

    def known(key: str) -> str | None:
        return next((said for run in reversed(runs) if (said := getattr(run.head, key))), None)

    return replace(last, board=known("board"), serial=known("serial"), memory=known("memory"))
