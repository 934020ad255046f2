"""How far a command is: a line on the terminal for what takes more than a second, and what to say
when it is stopped.

The line goes to standard error and only where that is a terminal; it is plain text, without colour,
and is wiped off again when the step is done.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from msgspec import Struct, field

from memdiag.cli import outlet

T = TypeVar("T")

AFTER = 1.0
"""Seconds from which on a step shows how far it is."""
_EVERY = 0.1  # seconds between two lines
_WIDTH = 24  # characters of the bar
_MEGABYTE = 1_000_000


class Line(Struct):
    """The line of a terminal on standard error that says how far something is."""

    _shown: float = 0.0  # when it was last
    _drawn: int = 0  # its length

    def is_due(self) -> bool:
        """Whether there is a terminal, and it is time to draw again."""
        return time.monotonic() - self._shown >= _EVERY and _on_a_terminal()

    def draw(self, text: str) -> None:
        self._shown = time.monotonic()
        self._put(text[: shutil.get_terminal_size().columns - 1])

    def wipe(self) -> None:
        if self._drawn:
            self._put("")

    def _put(self, text: str) -> None:
        outlet.redraw(text, self._drawn)
        self._drawn = len(text)


class Step(Struct):
    """One thing that a command does: `what` in words, of how many (None: nobody knows), counted in
    `unit` (MB for bytes). `left`: what holds where it is stopped."""

    what: str
    total: int | None
    unit: str
    left: str
    done: int = 0
    _began: float = field(default_factory=time.monotonic)
    _line: Line = field(default_factory=Line)

    def add(self, n: int = 1) -> None:
        """So many more are done."""
        self.done += n
        now = time.monotonic()
        if now - self._began >= AFTER and self._line.is_due():
            self._line.draw(self.line(now - self._began))

    def line(self, seconds: float) -> str:
        """What is shown after so many seconds: share, bar, rate and time left."""
        rate = self.done / max(seconds, 1e-9)
        pace = f"{self._count(rate)}/s"
        if not self.total:
            return f"{self.what}: {self._count(self.done)}, {pace}"
        share = min(self.done / self.total, 1.0)
        bar = "#" * round(share * _WIDTH)
        left = _time((self.total - self.done) / rate) if rate else "?"
        return f"{self.what} [{bar:-<{_WIDTH}}] {share:4.0%}, {pace}, {left} left"

    def stopped(self) -> str:
        """What to say where it was stopped here."""
        share = f"{min(self.done / self.total, 1.0):.0%}" if self.total else self._count(self.done)
        return f"stopped while {self.what} ({share} done); {self.left}"

    def wipe(self) -> None:
        self._line.wipe()

    def _count(self, n: float) -> str:
        if self.unit == "MB":
            return f"{n / _MEGABYTE:,.1f} MB"
        return f"{n:,.0f} {self.unit}"


_STEPS: list[Step] = []
"""Those under way, the innermost last."""
NOTHING_WRITTEN = "nothing was judged, and nothing written"


@contextmanager
def step(
    what: str, total: int | None = None, unit: str = "MB", left: str = NOTHING_WRITTEN
) -> Iterator[Step]:
    """A step of the command, from here to the end of the block. After an interrupt it stays the
    one that `stopped` tells of."""
    one = Step(what, total, unit, left)
    _STEPS.append(one)
    try:
        yield one
    except KeyboardInterrupt:
        one.wipe()
        raise
    except BaseException:
        one.wipe()
        _STEPS.remove(one)
        raise
    one.wipe()
    _STEPS.remove(one)


def each(
    items: Iterable[T], what: str, total: int, unit: str, left: str = NOTHING_WRITTEN
) -> Iterator[T]:
    """The items, one done when the next is asked for."""
    with step(what, total, unit, left) as one:
        for item in items:
            yield item
            one.add()


def stopped() -> str:
    """What to say after an interrupt."""
    return _STEPS[0].stopped() if _STEPS else "stopped"


def in_worker() -> None:
    """For a process that does a part of a step: it shows nothing, and ends without a word where
    the terminal's Ctrl-C reaches it, which its parent hears too."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    os.environ["TERM"] = "dumb"


def _on_a_terminal() -> bool:
    return sys.stderr is not None and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"


def _time(seconds: float) -> str:
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    return f"{minutes} min {rest} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
