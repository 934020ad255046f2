"""Consoles without a wire: what they send is a script, and a cutter or a capture listens."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TypeVar

from memdiag.bench.capture import Capture, Dump, Event, Limits
from memdiag.bench.capture_cutter import Cutter
from memdiag.bench.capture_lines import known
from memdiag.model.problems import Problem

T = TypeVar("T")
STALL = 10.0
QUIET, LOST = b"<quiet>", b"<lost>"
_MARK = re.compile(b"(<quiet>|<lost>)")


def cut(
    script: bytes, pieces: Callable[[bytes], Iterable[bytes]] | None = None, most: int = 1 << 20
) -> list[Event]:
    """What a cutter gives out of a script, up to its end. Between two marks the bytes come in
    pieces, all at one time; each mark takes longer than a stall."""
    cutter, clock, found = Cutter(known(), Limits(STALL, most)), 100.0, []
    for part in _MARK.split(script):
        if part == LOST:
            found += cutter.lost()
        if part in (QUIET, LOST):
            clock += 1.5 * STALL
            found += cutter.pause(clock) if part == QUIET else []
            continue
        for piece in [part] if pieces is None else pieces(part):
            found += cutter.feed(piece, clock, 1e9 + clock)
    return [*found, *cutter.close()]


def dumps(events: Iterable[Event]) -> list[Dump]:
    return [event for event in events if isinstance(event, Dump)]


def codes(events: Iterable[Event]) -> list[str]:
    return [event.code for event in events if isinstance(event, Problem)]


class Console:
    """A source that sends a script: bytes, `<quiet>` for a while without any, `<lost>` for a
    line that is gone and comes back."""

    name, stem, unlike_text = "the console", "console", "check the rate"
    returns = waits = True

    def __init__(self, script: bytes, quiet: float) -> None:
        self._parts = [part for part in _MARK.split(script) if part]
        self._quiet, self._until = quiet, 0.0

    def open(self) -> None:
        pass

    def close(self) -> None:
        pass

    def read(self, seconds: float) -> bytes | None:
        if time.monotonic() < self._until:
            time.sleep(0.01)
            return b""
        if not self._parts:
            self.returns = False
            return None
        part = self._parts.pop(0)
        if part == LOST:
            raise OSError("it was unplugged")
        if part == QUIET:
            self._until = time.monotonic() + self._quiet
            return b""
        return part


def until(capture: Capture, done: Callable[[list[Event]], T], limit: float = 20.0) -> list[Event]:
    """What a capture gives out until `done` of it is true, or the capture ended."""
    found: list[Event] = []
    end = time.monotonic() + limit
    while not done(found) and not capture.ended:
        assert time.monotonic() < end, found
        found += capture.poll(0.02)
    return found


def kept(folder: Path) -> bytes:
    """The bytes that the one capture into a folder kept."""
    (raw,) = folder.glob("*.raw")
    return raw.read_bytes()
