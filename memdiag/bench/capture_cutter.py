"""What comes from a console, cut in the dumps that are in it, wherever the pieces were cut.

A dump begins where a layout is recognised, and ends with its own end, with the head of the next
one, when nothing comes for a while, when the line is lost, or at a bound. What came before its
first line since the dump before it (within bounds, and as far as it is text) stands in front, as it
would in a paste, so that nothing between two dumps is passed over.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from enum import Enum, StrEnum, auto

from msgspec import Struct

from memdiag.bench.capture_lines import Known, Turn, is_blank
from memdiag.bench.capture_noise import JUNK, share
from memdiag.model.problems import Position, Problem, problem
from memdiag.reading.chunks import MOST_LINE

LEAD_BYTES, LEAD_LINES = 16 << 10, 200
"""What is held of the lines before a dump."""


class Ended(StrEnum):
    """How a dump came to its end: its own, the head of the next, a stall, the line lost, the
    capture ended, a bound."""

    END = "end"
    NEXT = "next"
    STALL = "stall"
    LOST = "lost"
    CLOSED = "closed"
    BOUND = "bound"

    @property
    def says(self) -> str:
        """In words."""
        return _SAYS[self]


_SAYS = {
    Ended.END: "it came to its end",
    Ended.NEXT: "the next one began before its end",
    Ended.STALL: "it stalled: judged as far as it came",
    Ended.LOST: "the line was lost",
    Ended.CLOSED: "the capture ended before it did",
    Ended.BOUND: "it is longer than is judged",
}


class Dump(Struct, frozen=True):
    """The text of a dump, its bytes as they came.

    `number` counts the dumps from 1, `line` is the line of all that came that its first line is,
    `times` are the seconds since 1970 at which each of its lines began to come. Where it is not
    `final`, it stalled: it comes once more, final, with the same text or, where it went on, with
    more.
    """

    number: int
    text: bytes
    times: Sequence[float]
    line: int
    ended: Ended
    final: bool = True


class Limits(Struct, frozen=True):
    """`stall`: seconds of silence that end a dump; `most`: bytes of a dump."""

    stall: float = 30.0
    most: int = 64 << 20


Event = Dump | Problem


class _State(Enum):
    WAITING = auto()  # for a dump to begin
    OPEN = auto()  # in one
    STALLED = auto()  # it was given out as far as it came, and may go on
    PASSING = auto()  # the rest of a dump that was given out for good


class Cutter:
    """Takes bytes as they come; gives out dumps, and what there is to say of others.

    Times are given with them: `clock` never goes back, and stalls are told by it; `at` is what a
    calendar shows.
    """

    def __init__(self, layouts: Sequence[Known], limits: Limits) -> None:
        self._layouts, self._limits = layouts, limits
        self._state = _State.WAITING
        self._text = bytearray()  # the dump, or what may stand before one
        self._times = array("d")  # of each line in it
        self._from = 0  # where in it the line begins that is not judged yet
        self._before = 0  # lines that came before those of the text
        self._number = 1
        self._layout: Known | None = None
        self._example = b""  # its first line, where a logger put something in front
        self._is_surely_one = False  # its head was there, or a row
        self._stalled_at = 0  # bytes of the text that were given out
        self._junk_to = 0  # bytes of it up to the last line since then that is no text
        self._went_on = False
        self._heard = 0.0
        self._paused = True  # what a pause asks for was done

    @property
    def in_dump(self) -> bool:
        """Whether a dump has begun and may go on."""
        return self._state in (_State.OPEN, _State.STALLED)

    @property
    def number(self) -> int:
        """Of the dump at hand, or the next one."""
        return self._number

    # -- what comes -----------------------------------------------------------------------------

    def feed(self, data: bytes, clock: float, at: float) -> list[Event]:
        """Take the next bytes."""
        if not data:
            return []
        found = self.pause(clock)
        self._heard, self._paused = clock, False
        begin = 0
        while begin < len(data):
            end = data.find(b"\n", begin) + 1 or len(data)
            found += self._piece(data[begin:end], at)
            begin = end
        return found

    def pause(self, clock: float) -> list[Event]:
        """Nothing has come until now."""
        if self._paused or clock - self._heard < self._limits.stall:
            return []
        self._paused = True
        found = self._tail()
        if self._state is _State.OPEN:
            assert self._layout is not None
            return found + (self._stalled() if self._layout.has_end else self._out(Ended.STALL))
        if self._state is _State.STALLED and self._went_on:
            return found + self._stalled()
        if self._state is _State.PASSING:
            self._state = _State.WAITING
        return found

    def lost(self) -> list[Event]:
        """The line was lost: what comes after may lack anything, so no dump goes on over it."""
        found = self._tail()
        if self.in_dump:
            found += self._last(Ended.LOST, len(self._text))
            self._state = _State.PASSING
        return found

    def close(self) -> list[Event]:
        """Nothing more will come."""
        found = self._tail()
        return found + (self._last(Ended.CLOSED, len(self._text)) if self.in_dump else [])

    def _piece(self, piece: bytes, at: float) -> list[Event]:
        """A line, or a part of one."""
        if not self._text or self._text.endswith(b"\n"):
            self._times.append(at)
        self._text += piece
        if self.in_dump and len(self._text) > self._limits.most:
            return self._too_long() + (self._line() if piece.endswith(b"\n") else [])
        if piece.endswith(b"\n"):
            return self._line()
        if not self.in_dump and len(self._text) - self._from > 2 * MOST_LINE:
            del self._text[self._from + MOST_LINE :]  # no more of a line is looked at
        return []

    def _tail(self) -> list[Event]:
        """What is there of a line without its end, taken for one."""
        return self._line() if len(self._text) > self._from else []

    # -- a line ---------------------------------------------------------------------------------

    def _line(self) -> list[Event]:
        begin, self._from = self._from, len(self._text)
        line = bytes(self._text[begin : begin + MOST_LINE])
        if self._state is _State.OPEN:
            return self._in_dump(line, begin)
        if self._state is _State.STALLED:
            return self._after_stall(line, begin)
        return self._between(line, begin)

    def _between(self, line: bytes, begin: int) -> list[Event]:
        """A line while no dump is open."""
        passing = self._state is _State.PASSING
        for known in self._layouts:
            if known.is_own(line) and not (passing and self._goes_on(known, line)):
                if passing:
                    self._cut_off(begin)
                return self._begin(known, line, begin)
        ended = any(Turn.END in known.turns(line) for known in self._layouts)
        if passing or ended or share(line) >= JUNK:
            here = self._before + len(self._times)
            self._cut_off(len(self._text))
            if ended and begin and not passing:
                return [problem("capture-headless", Position(here))]
            self._state = _State.WAITING if ended else self._state
            return []
        if begin == 0 and is_blank(line):
            self._cut_off(len(self._text))
        self._keep_lead()
        return []

    @staticmethod
    def _goes_on(known: Known, line: bytes) -> bool:
        """Whether a line of that layout is no beginning."""
        return known.has_head and Turn.HEAD not in known.turns(line)

    def _begin(self, known: Known, line: bytes, begin: int) -> list[Event]:
        self._state, self._layout = _State.OPEN, known
        self._example, self._is_surely_one = b"", False
        found = self._in_dump(line, begin)
        if self._state is _State.OPEN and known.is_prefixed(line):
            self._example = line
        return found

    def _in_dump(self, line: bytes, begin: int) -> list[Event]:
        assert self._layout is not None
        layout = self._layout
        turns = layout.turns(line, self._example, rows=not self._is_surely_one)
        if Turn.HEAD in turns and self._is_surely_one:
            return self._out(Ended.NEXT, begin) + self._begin(layout, line, 0)
        if Turn.END in turns:
            return self._out(Ended.END)
        self._is_surely_one = self._is_surely_one or bool(turns)
        return []

    def _after_stall(self, line: bytes, begin: int) -> list[Event]:
        """What comes after a stall is the rest of the dump where its end comes, and stands before
        the next one where a head comes."""
        assert self._layout is not None
        if Turn.END in self._layout.turns(line, self._example):
            return self._out(Ended.END)
        for known in self._layouts:
            if known.is_own(line) and not self._goes_on(known, line):
                junk = max(0, self._junk_to - self._stalled_at)
                found = self._out(Ended.STALL, self._stalled_at)
                self._cut_off(junk)
                self._keep_lead()
                return found + self._begin(known, line, self._from - len(line))
        self._went_on = self._went_on or self._layout.is_own(line)
        if share(line) >= JUNK:
            self._junk_to = self._from
        return []

    # -- the end of a dump ----------------------------------------------------------------------

    def _stalled(self) -> list[Event]:
        """Given out as far as it came."""
        self._state, self._went_on = _State.STALLED, False
        self._stalled_at = self._junk_to = len(self._text)
        return [self._dump(len(self._text), Ended.STALL, final=False)]

    def _last(self, ended: Ended, end: int) -> list[Event]:
        """The dump that is open, or that stalled, for good; the text up to `end` is done with."""
        if self._state is _State.OPEN or self._went_on:
            return self._out(ended, end)
        rest = end - self._stalled_at
        found = self._out(Ended.STALL, self._stalled_at)
        if not is_blank(bytes(self._text[:rest])):
            n = _lines(self._text[:rest])
            found.append(problem("capture-rest", Position(self._before + 1), lines=n))
        self._cut_off(rest)
        return found

    def _too_long(self) -> list[Event]:
        most = self._limits.most
        said = problem("capture-endless", Position(self._before + 1), most=f"{most / (1 << 20):g}")
        found = self._last(Ended.BOUND, most)
        self._state = _State.PASSING
        return [said, *found]

    def _out(self, ended: Ended, end: int | None = None) -> list[Event]:
        """Give the dump out for good, up to `end`; what follows stands before the next one."""
        end = len(self._text) if end is None else end
        dump = self._dump(end, ended, final=True)
        self._cut_off(end)
        self._state, self._layout, self._went_on = _State.WAITING, None, False
        self._number += 1
        return [dump]

    def _dump(self, end: int, ended: Ended, *, final: bool) -> Dump:
        text = bytes(self._text[:end])
        times = tuple(self._times[: _lines(text)])
        return Dump(self._number, text, times, self._before + 1, ended, final)

    def _keep_lead(self) -> None:
        """Hold no more before a dump than the bounds allow, in whole lines."""
        over = max(0, len(self._times) - LEAD_LINES)
        at = 0
        while at < len(self._text) and (over > 0 or len(self._text) - at > LEAD_BYTES):
            at = self._text.find(b"\n", at) + 1 or len(self._text)
            over -= 1
        if at:
            self._cut_off(at)

    def _cut_off(self, end: int) -> None:
        """Forget the beginning of the text. Of a line that is cut in two the time is kept with
        what is left of it."""
        gone = self._text[:end]
        n = gone.count(b"\n")
        del self._text[:end]
        del self._times[: n if self._text else _lines(gone)]
        self._before += n
        self._from = max(0, self._from - end)


def _lines(text: bytes | bytearray) -> int:
    """The lines of a text, the last one counted where it lacks its end."""
    return text.count(b"\n") + (bool(text) and not text.endswith(b"\n"))
