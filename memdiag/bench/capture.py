"""Listens to a console: bytes are kept as they come, and each dump in them is given out.

A thread reads and keeps, so that nothing is lost while a dump is judged. Whoever asks, `poll`s.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator, Sequence

from msgspec import Struct

from memdiag.bench.capture_cutter import Cutter, Dump, Ended, Event, Limits
from memdiag.bench.capture_files import Kept
from memdiag.bench.capture_lines import Known
from memdiag.bench.capture_noise import Legibility
from memdiag.bench.capture_sources import Source
from memdiag.model.problems import Problem, problem

__all__ = ["Capture", "Dump", "Ended", "Event", "Limits", "State"]

_WAIT = 0.1  # seconds that a read waits for the first byte
_AGAIN = 0.3  # seconds between two tries to open a line that was lost
_PAUSE = 1.0  # seconds of silence after which less than a block is judged for being text
_MOST_PIECES = 256  # that may wait to be cut where the sender can be held up


class State(Struct, frozen=True):
    """How far it is: bytes and lines that were kept, seconds since the last of them (None before
    the first), whether the line is there, and the number of the dump that is coming (0: none)."""

    size: int
    lines: int
    silent: float | None
    connected: bool
    coming: int

    @property
    def says(self) -> str:
        """How it goes, in words."""
        if not self.connected:
            return "gone: waiting for it to come back"
        if self.silent is None:
            return "listening: nothing yet"
        came = f"{self.size:,} bytes, {self.lines:,} lines"
        doing = f"dump {self.coming} is coming" if self.coming else "waiting for a dump"
        return f"listening: {came}, the last {self.silent:.0f} s ago; {doing}"


class _Piece(Struct, frozen=True):
    """Bytes, and when they came: by a clock that never goes back, and by the calendar."""

    data: bytes
    clock: float
    at: float


class _Gone:
    """The line was lost; or it came to its end, for good or until it is opened again."""


_Heard = _Piece | _Gone | Problem


class Capture:
    """From `start` to `stop`. The source is opened before; its bytes are in `kept` before anybody
    hears of them. `name` is the source's."""

    def __init__(
        self, source: Source, kept: Kept, layouts: Sequence[Known], limits: Limits
    ) -> None:
        self._source, self.kept = source, kept
        self.name = source.name
        self._cutter, self._legibility = Cutter(layouts, limits), Legibility()
        self._pause = min(_PAUSE, limits.stall)
        self._heard: queue.SimpleQueue[_Heard] = queue.SimpleQueue()
        self._enough = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="capture", daemon=True)
        self._connected = True
        self._last: float | None = None

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def poll(self, seconds: float) -> list[Event]:
        """What there is to say of what came, waiting so long for something to come."""
        try:
            heard = self._heard.get(timeout=seconds)
        except queue.Empty:
            return [*self._cutter.pause(time.monotonic()), *self._quiet()]
        return self._take(heard)

    @property
    def ended(self) -> bool:
        """Whether nothing more can come."""
        return not self._thread.is_alive() and self._heard.empty()

    @property
    def state(self) -> State:
        silent = None if self._last is None else time.monotonic() - self._last
        coming = self._cutter.number if self._cutter.in_dump else 0
        return State(self.kept.size, self.kept.lines, silent, self._connected, coming)

    def stop(self) -> list[Event]:
        """End it: what was heard is given out, the dump that is coming as far as it came."""
        self._enough.set()
        self._thread.join(5)
        found: list[Event] = []
        while not self._heard.empty():
            found += self._take(self._heard.get())
        found += self._cutter.close()
        self.kept.close()
        self._source.close()
        return found

    # -- what was heard -------------------------------------------------------------------------

    def _take(self, heard: _Heard) -> list[Event]:
        if isinstance(heard, Problem):
            return [heard]
        if isinstance(heard, _Gone):
            return self._cutter.lost()
        self._last = heard.clock
        found = self._cutter.feed(heard.data, heard.clock, heard.at)
        return [*self._said(self._legibility.feed(heard.data)), *found]

    def _quiet(self) -> list[Problem]:
        if self._last is None or time.monotonic() - self._last < self._pause:
            return []
        return list(self._said(self._legibility.pause()))

    def _said(self, shares: Sequence[float]) -> Iterator[Problem]:
        """Each turn from text to garble, or back, up to how it is now."""
        garbled = self._legibility.garbled == (len(shares) % 2 == 1)
        for share in shares:
            if garbled:
                hint, name = self._source.unlike_text, self._source.name
                yield problem("capture-no-text", share=f"{share:.0%}", name=name, hint=hint)
            else:
                yield problem("capture-text", name=self._source.name)
            garbled = not garbled

    # -- the thread -----------------------------------------------------------------------------

    def _listen(self) -> None:
        while not self._enough.is_set():
            try:
                data = self._source.read(_WAIT)
            except OSError as lost:
                self._connected = False
                reason = str(lost).lower()
                self._heard.put(problem("capture-lost", name=self._source.name, reason=reason))
                data = None
            if data is None:
                if not self._again():
                    return
            elif data and not self._keep(data):
                return
            elif not data:
                self.kept.settle()

    def _keep(self, data: bytes) -> bool:
        """Keep it, then tell of it; False where it cannot be kept."""
        clock, at = time.monotonic(), time.time()
        try:
            self.kept.add(data, at)
        except OSError as wrong:
            reason = (wrong.strerror or str(wrong)).lower()
            self._heard.put(problem("capture-disk", file=self.kept.raw, reason=reason))
            return False
        self._heard.put(_Piece(data, clock, at))
        while self._source.waits and self._heard.qsize() > _MOST_PIECES:
            if self._enough.wait(0.05):
                break
        return True

    def _again(self) -> bool:
        """After its end or a loss: open the source again, waiting for it to be there. False where
        it ended for good."""
        self._heard.put(_Gone())
        if not self._source.returns:
            return False
        while not self._enough.is_set():
            try:
                self._source.open()
            except OSError:
                self._enough.wait(_AGAIN)
                continue
            if not self._connected:
                self._connected = True
                self._heard.put(problem("capture-back", name=self._source.name))
            return True
        return False
