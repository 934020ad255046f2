"""What is filed with a dump that was captured from a console: when each of its lines came."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from msgspec import Struct

TIMES = "times.csv"
HEAD = b"line,at\n"
"""The head line of a file of times: a line counted from 1, and when its first byte came."""


class Captured(Struct, frozen=True):
    """`source` in words, how the dump ended in one word, and the seconds since 1970 at which each
    of its lines began to come, by the clock of the bench."""

    source: str
    ended: str
    times: Sequence[float]

    def says(self) -> dict[str, Any]:
        """What `entry.json` says of it."""
        return {
            "from": self.source,
            "ended": self.ended,
            "began": _stamp(self.times[0]) if self.times else None,
            "times": TIMES,
        }

    def files(self) -> dict[str, bytes]:
        """The file of times."""
        rows = (row(number, at) for number, at in enumerate(self.times, 1))
        return {TIMES: HEAD + b"".join(rows)}


def row(line: int, at: float) -> bytes:
    """A line of a file of times."""
    return f"{line},{_stamp(at)}\n".encode()


def _stamp(at: float) -> str:
    """As RFC 3339 has it, in UTC and to the millisecond."""
    return datetime.fromtimestamp(at, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
