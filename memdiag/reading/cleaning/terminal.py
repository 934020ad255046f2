"""What a terminal would have shown: carries out or leaves out its control functions.

Clauses are those of ECMA-48, 5th edition (1991), the successor of ANSI X3.64: C0 and C1 sets
(5.2, 5.3), control sequences `CSI P..P I..I F` (5.4), independent functions `ESC Fs` (5.5),
control strings closed by ST (5.6). Other escape sequences are those of ECMA-35, 13.2.
"""

from __future__ import annotations

import re
from array import array
from collections import Counter
from collections.abc import Sequence

from msgspec import Struct, field

from memdiag.model.patterns import later

_MOST_REPEATED = 1024  # a terminal is a few hundred columns wide; more is rubbish in a number
_MOST_ADDED = 8192  # characters a line may gain by repeats and moves, so that no paste can swell

# Linear whatever comes: possessive quantifiers (*+) never give characters back, and the body of
# a control string stops at anything that could open another one.
_TOKEN = later(
    r"(?P<csi>(?:\x1b\[|\x9b)(?P<par>[0-?]*+)(?P<mid>[ -/]*+)(?P<fin>[@-~]?+))"
    r"|(?P<string>(?:\x1b[PX\]^_]|[\x90\x98\x9d-\x9f])"
    r"[^\x07\x1b\x90\x98\x9c-\x9f]*+(?:\x07|\x1b\\|\x9c))"
    r"|(?P<shift>(?:\x1b[NO]|[\x8e\x8f])[ -~]?+)"
    r"|(?P<escape>\x1b[ -/]*+[0-~]?+)"
    r"|(?P<move>[\x0b\x0c\x84\x85\x8d\u2028\u2029])"
    r"|(?P<back>\x08)"
    r"|(?P<cr>\r)"
    r"|(?P<nul>\0+)"
    r"|(?P<blank>[\u00a0\u2000-\u200a\u202f\u205f\u3000])"
    r"|(?P<nothing>[\u00ad\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff])"
    r"|(?P<other>[\x01-\x07\x0e-\x1f\x7f-\x9f])"
)

DIRT = later(
    "[\0-\x08\x0b-\x1f\x7f-\x9f\u00a0\u00ad\u2000-\u200f\u2028-\u202f\u205f-\u2069\u3000\ufeff]"
)
"""Any character this module deals with."""

# A counter the terminal printed over: its first number is a share or `n of m`, and no name or
# other number stands before it, so no row of a table looks like it.
_PROGRESS = later(r"[^\d]*+\d{1,9}(?:\.\d{1,4})?\s{0,3}(?:%|/\s{0,3}\d|of\s\d)|[\s.#=>*|/\\-]*$")


class Part(Struct):
    """A piece of a pasted line that the terminal showed by itself. `at[i]` is the 0-based index
    in the pasted line of character i."""

    text: str
    at: Sequence[int]
    printed_over: bool = False


class Tally(Struct):
    """How often each kind of dirt was met, and the line and column of the first."""

    counts: Counter[str] = field(default_factory=Counter)
    first: dict[str, tuple[int, int]] = field(default_factory=dict)

    def add(self, kind: str, line: int, column: int = 1, times: int = 1) -> None:
        self.counts[kind] += times
        self.first.setdefault(kind, (line, column))


class _Screen:
    """One line of a terminal: a cursor, and characters with where in the paste they came from."""

    def __init__(self) -> None:
        self.chars: list[str] = []
        self.at = array("q")
        self.cursor = 0
        self.spare = _MOST_ADDED

    def put(self, text: str, start: int, step: int = 1) -> None:
        end = self.cursor + len(text)
        self.chars[self.cursor : end] = text
        self.at[self.cursor : end] = array("q", [start + step * i for i in range(len(text))])
        self.cursor = end

    def go_to(self, column: int, start: int) -> None:
        """To a 0-based column, which becomes blanks where nothing was printed yet."""
        self.cursor = max(0, min(column, len(self.chars) + _MOST_REPEATED))
        if self.cursor > len(self.chars):
            missing = self.cursor - len(self.chars)
            self.cursor = len(self.chars)
            self.add(" ", missing, start)

    def add(self, char: str, times: int, start: int) -> None:
        """Print a character the paste does not hold, `times` over."""
        times = min(times, self.spare)
        self.spare -= times
        self.put(char * times, start, 0)

    def erase(self, from_start: bool, to_end: bool) -> bool:
        """Erase the line on one side of the cursor or both; True where text went."""
        gone = self.chars[self.cursor :] if to_end else []
        if to_end:
            del self.chars[self.cursor :], self.at[self.cursor :]
        upto = min(self.cursor + (not to_end), len(self.chars))
        if from_start and upto <= self.spare:  # else rubbish: blanked again and again
            self.spare -= upto
            gone += self.chars[:upto]
            self.chars[:upto] = " " * upto
        return bool("".join(gone).strip())

    def take(self) -> Part:
        part = Part("".join(self.chars), self.at)
        self.chars, self.at, self.cursor = [], array("q"), 0
        return part


def shown(raw: str, number: int, tally: Tally) -> list[Part]:
    """The parts of one pasted line as a terminal would have shown them, never none.

    A carriage return inside a line (8.3.15) and moves to another line (CUP, CUD, NEL and the
    like) begin a new part; a counter that was printed over is marked. `tally` counts what was
    carried out or left out.
    """
    screen, parts, after_return = _Screen(), [], []
    done = 0
    for token in _TOKEN.finditer(raw):
        if token.start() > done:
            screen.put(raw[done : token.start()], done)
        done = token.end()
        kind = token.lastgroup or ""
        column = token.start() + 1
        if kind == "csi":
            tally.add("escape-sequences", number, column)
            breaks = _control_sequence(screen, token, number, tally)
        elif kind == "cr":
            breaks = True
        else:
            breaks = _single(screen, kind, token, number, tally)
        if breaks:
            parts.append(screen.take())
            after_return.append(kind == "cr")
    if done < len(raw):
        screen.put(raw[done:], done)
    parts.append(screen.take())
    return _without_overprinted(parts, after_return, number, tally)


def _single(screen: _Screen, kind: str, token: re.Match[str], number: int, tally: Tally) -> bool:
    """Carry out anything that is no control sequence; True where it leaves the line."""
    column, length = token.start() + 1, token.end() - token.start()
    if kind == "back":  # 8.3.5
        screen.go_to(screen.cursor - 1, token.start())
        tally.add("backspaces", number, column)
        return False
    if kind == "nul":  # 8.3.88: may be left out without changing what is said
        tally.add("nul-characters", number, column, length)
        return False
    if kind in ("blank", "nothing"):
        if kind == "blank":
            screen.put(" ", token.start())
        tally.add("odd-blanks", number, column)
        return False
    if kind == "move":
        tally.add("control-characters", number, column)
        return True
    if kind == "other":
        tally.add("control-characters", number, column)
        return False
    tally.add("escape-sequences", number, column)
    if kind == "shift":  # SS2, SS3 (8.3.141, 8.3.142): the next character is of another set
        screen.put(" ", token.start())
    # ESC D, E, M are IND (4th edition), NEL (8.3.86) and RI (8.3.104) in seven bits
    return kind == "escape" and token.group() in ("\x1bD", "\x1bE", "\x1bM")


def _control_sequence(screen: _Screen, token: re.Match[str], number: int, tally: Tally) -> bool:
    """Carry out one control sequence; True where it leaves the line."""
    final, parameters = token["fin"], token["par"]
    if token["mid"] or not final or parameters[:1] in ("<", "=", ">", "?"):
        return False  # another function, or a private one (5.4.1)
    first = parameters.split(";", 1)[0]
    n = min(int(first[:9]), _MOST_REPEATED) if first.isascii() and first.isdigit() else 1
    n = max(n, 1)
    here = token.start()
    if final == "b":  # REP, 8.3.103
        if screen.cursor:
            screen.add(screen.chars[screen.cursor - 1], n, here)
    elif final in "Ca":  # CUF, HPR: 8.3.20, 8.3.59
        screen.go_to(screen.cursor + n, here)
    elif final in "Dj":  # CUB, HPB: 8.3.18, 8.3.58
        screen.go_to(screen.cursor - n, here)
    elif final in "G`":  # CHA, HPA: 8.3.9, 8.3.57
        screen.go_to(n - 1, here)
    elif final == "I":  # CHT, 8.3.10: to a tabulation stop, every eighth column as a rule
        screen.go_to((screen.cursor // 8 + n) * 8, here)
    elif final == "K" and screen.erase(first in ("1", "2"), first != "1"):  # EL, 8.3.41
        tally.add("overprinted-text", number, here + 1)
    # CUU, CUD, CNL, CPL, CUP, HVP, VPA, VPR, VPB
    return final in "ABEFHfdek"


def _without_overprinted(
    parts: list[Part], after_return: list[bool], number: int, tally: Tally
) -> list[Part]:
    """Marks counters that were printed over, drops parts with nothing in them."""
    for part, returned in zip(parts[:-1], after_return, strict=True):
        if returned and part.text.strip() and _PROGRESS.match(part.text):
            part.printed_over = True
            tally.add("overprinted-text", number)
    last = parts[-1]
    if any(p.printed_over for p in parts) and last.text.strip() and _PROGRESS.match(last.text):
        last.printed_over = True
    kept = [p for p in parts if p.text.strip() and not p.printed_over]
    if len(kept) > 1:
        tally.add("rows-in-one-line", number)
    if kept:
        return kept
    spoken = [p for p in parts if p.text.strip()]
    return spoken[-1:] or parts[-1:]
