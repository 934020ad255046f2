"""What a log or a shell put in front of the lines: time stamps, levels, prompts; and lines that
are no part of the dump at all, such as messages of the operating system.

A prefix goes only where it is certain: where the lines that can be nothing but the dump's own (its
head, its sections, its end) carry it, or, where there are none, where most lines share it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from msgspec import Struct, field

from memdiag.model.patterns import later
from memdiag.reading.cleaning.terminal import Tally

_CLOCK = r"\d\d:\d\d:\d\d(?:[.,]\d{1,9})?"
_MONTH_DAY = r"[A-Z][a-z]{2} [ \d]\d"
_END = r"(?:[ \t]|$)"

# `[   12.345678] ` of a kernel ring buffer, also with its caller, its level in front, or as a wall
# clock; or the bare level `<6>` (RFC 3164, 4.1.1: a priority in angle brackets).
_KERNEL = later(
    rf"(?:<\d{{1,3}}>)?\[(?:[ \t]{{0,6}}\d{{1,7}}\.\d{{1,9}}|[A-Z][a-z]{{2}} {_MONTH_DAY} {_CLOCK} "
    rf"\d{{4}})\](?:\[[ \t]{{0,6}}[TC]\d{{1,7}}\])?{_END}"
    rf"|{_MONTH_DAY} {_CLOCK} \S{{1,64}} kernel: "
    r"|<\d{1,3}>"
)
# RFC 3339 stamps, also with a blank for the T; bare clocks; RFC 3164 stamps, with host and
# program only where the program's number in brackets makes certain that they are that.
_STAMP = later(
    rf"\[?\d{{4}}-\d\d-\d\d[T ]{_CLOCK}(?:Z|[+-]\d\d:?\d\d)?\]?:?{_END}"
    rf"|\[?{_CLOCK}\]?:?{_END}"
    rf"|{_MONTH_DAY} {_CLOCK} (?:\S{{1,64}} [\w./-]{{1,64}}\[\d{{1,7}}\]: )?"
)
_WORD = r"(?:TRACE|DEBUG|INFO|NOTICE|WARN|WARNING|ERR|ERROR|CRIT|CRITICAL|FATAL)"
_LEVEL = later(
    rf"{_WORD}[ \t]{{0,4}}[:|]{_END}|\[{_WORD}[ \t]{{0,4}}\]:?[ \t]|\[[DEINVW]\]:?[ \t]",
    re.IGNORECASE,
)
# `user@host:~/dir# `, `rig$ `, `rig> `, `rig# `, `$ `, `> `. A bare `# ` is a comment.
_PROMPT = later(
    rf"(?:[A-Za-z_][\w.-]{{0,63}}@[\w.-]{{1,64}}(?:[: ][^\s#$>]{{0,128}})?[#$>%]"
    rf"|[A-Za-z][\w.-]{{0,31}}[$>#]|\$|>|=>){_END}"
)
# The port that a logger puts in front of each line.
PORT = later(
    rf"\[?(?:/dev/)?((?:tty[A-Za-z]{{0,8}}|COM|con|port|rig)[ -]?\d{{1,3}})\]?[:>|]{_END}"
    rf"|\[((?:tty[A-Za-z]{{0,8}}|COM)\d{{1,3}})\]{_END}"
)
# Those of them that no row of a table looks like: with a host, or with a dollar sign.
_SURE_PROMPT = later(r"\S{1,64}@[^#$>%]{1,200}[#$>%]|[\w.-]{0,32}\$|[A-Za-z][\w.-]{0,31}[>#]\s*$")

# Messages that a kernel console prints, told by the device in front; used only where the rows
# carry the kernel's stamp themselves, so that the stamp cannot tell them apart.
_DEVICE = later(
    r"(?:usb|hub|pci|pcieport|ata|sd|scsi|nvme|mmc|eth|wlan|r8169|igb|e1000e|random|audit|input"
    r"|EXT4-fs|XFS|CPU\d{0,3}|IPv6|NET|systemd\[\d{1,7}\])[\w.:/ -]{0,48}: "
)

# The same where the console prints no stamp: only devices whose number makes them unmistakable.
_BARE_DEVICE = later(
    r"(?:(?:usb|hub) \d{1,3}-[\d.:]{1,20}|(?:eth|wlan|mmc|nvme)\d{1,3}(?:n\d)?"
    r"|ata\d{1,3}(?:\.\d\d)?|sd \d{1,3}:\d:\d:\d"
    r"|pci(?:eport)? [0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.\d): [A-Za-z]"
)

ANCHOR = later(
    r"[ \t]*(?:bench-dump[ \t]+\d+|\[(?:run|training|counts|errors|rails|heat|values)\]"
    r"|\[end\](?:[ \t]+\d+)?)[ \t]*(?:#.*)?$",
    re.IGNORECASE,
)
"""Lines that are the dump's own beyond doubt."""

_GLUED_PROMPT = later(r"[ \t]*\[end\](?:[ \t]+\d+)?[ \t]*(?=[^\s\d#])", re.IGNORECASE)

MARKED = later(
    rf"[ \t]{{0,8}}(?:{_KERNEL.pattern}|{_STAMP.pattern}|(?i:{_LEVEL.pattern})|{_PROMPT.pattern}"
    rf"|{PORT.pattern}|{_BARE_DEVICE.pattern}|\[end\][ \t]*\d*[ \t]*[^\s\d#])"
)
"""Matches every line this module may touch."""

_FAMILIES = (
    ("kernel", _KERNEL, "time-stamps"),
    ("stamp", _STAMP, "time-stamps"),
    ("level", _LEVEL, "log-prefixes"),
    ("port", PORT, "log-prefixes"),
    ("prompt", _PROMPT, "shell-prompts"),
)
_ROUNDS = 4  # a stamp, a level, a prompt and one more: nobody stacks more


class Piece(Struct):
    """A line being cleaned: `text` without its first `cut` characters is what is left of it.
    `noise` names what it is where it is no part of the dump, and then nothing of it is left."""

    number: int
    text: str
    cut: int = 0
    noise: str = ""
    told: set[str] = field(default_factory=set)  # what was counted for this line already

    @property
    def rest(self) -> str:
        return "" if self.noise else self.text[self.cut :]


def strip(pieces: Sequence[Piece], tally: Tally, anchor: re.Pattern[str] = ANCHOR) -> None:
    """Cut the prefixes of all pieces and mark the noise among them, in place."""
    _unglue(pieces, tally)
    for piece in pieces:
        if not piece.noise and _BARE_DEVICE.match(piece.text):
            piece.noise = "kernel-messages"
            _count(tally, piece.noise, piece)
    for _ in range(_ROUNDS):
        changed = False
        for family in _FAMILIES:
            changed |= _strip_family(pieces, family, tally, anchor)
        if not changed:
            return


def chain(text: str, cut: int) -> tuple[tuple[str, str], ...]:
    """The prefixes that make up the first `cut` characters of a line: for each what it is called
    in a tally, and its pattern. Empty where they do not."""
    found: list[tuple[str, str]] = []
    at = 0
    while at < cut and len(found) < _ROUNDS:
        for _name, prefix, kind in _FAMILIES:
            match = prefix.match(text, at + _indent(text[at:]))
            if match and at < match.end() <= cut:
                flags = "(?i)" if prefix.flags & re.IGNORECASE else ""
                found.append((kind, f"{flags}^[ \t]{{0,8}}(?:{prefix.pattern})"))
                at = match.end()
                break
        else:
            return ()
    return tuple(found) if at == cut else ()


def _unglue(pieces: Sequence[Piece], tally: Tally) -> None:
    """`[end] 12rig$ `: the dump's last line had no line end, so the prompt stands behind it."""
    for piece in pieces:
        found = _GLUED_PROMPT.match(piece.text)
        if found and _PROMPT.match(piece.text, found.end()):
            tally.add("shell-prompts", piece.number, found.end() + 1)
            piece.text = piece.text[: found.end()]


class _Family(Struct):
    """Where one family of prefixes stands: `marked` are lines that carry one (index, its end),
    `surely_own` those of them that are the dump's own beyond doubt; `own_plain` counts lines
    beyond doubt that carry none, `spoken` all lines that say something."""

    marked: list[tuple[int, int]] = field(default_factory=list)
    surely_own: set[int] = field(default_factory=set)
    own_plain: int = 0
    spoken: int = 0

    def is_shared(self, may_be_data: bool) -> bool:
        """Whether what stands in front of the marked lines goes: where the dump's own lines carry
        it, or, where none of them can be told, where most lines share it."""
        if self.surely_own or self.own_plain:
            return len(self.surely_own) > self.own_plain
        n = len(self.marked)
        return n >= 3 and 2 * n >= self.spoken and not may_be_data


def _find_family(
    pieces: Sequence[Piece], prefix: re.Pattern[str], anchor: re.Pattern[str]
) -> _Family:
    found = _Family()
    for i, piece in enumerate(pieces):
        rest = piece.rest
        if not rest or rest.isspace():
            continue
        found.spoken += 1
        match = prefix.match(rest, _indent(rest))
        if match is None:
            found.own_plain += bool(anchor.match(rest))
            continue
        found.marked.append((i, match.end()))
        bare = _bare(rest)
        if anchor.match(bare) and not _is_echo(pieces, i, bare, anchor):
            found.surely_own.add(i)
    return found


def _strip_family(
    pieces: Sequence[Piece],
    family: tuple[str, re.Pattern[str], str],
    tally: Tally,
    anchor: re.Pattern[str],
) -> bool:
    """One family of prefixes once over all lines; True where it changed anything."""
    name, prefix, kind = family
    found = _find_family(pieces, prefix, anchor)
    if not found.marked:
        return False
    may_be_data = _may_be_data(name, [pieces[i].rest[:end] for i, end in found.marked])
    if name == "port" and may_be_data:
        return False  # several rigs in one log: the ports are all that tells them apart
    shared = found.is_shared(may_be_data)
    changed = False
    for i, end in found.marked:
        piece = pieces[i]
        goes = shared or i in found.surely_own
        if goes and not (name == "kernel" and _DEVICE.match(piece.rest, end)):
            bare_level = piece.rest[:end].strip().endswith(">") and name == "kernel"
            _count(tally, "log-prefixes" if bare_level else kind, piece)
            piece.cut += end
            changed = True
            continue
        noise = _noise(name, piece)
        if noise:
            piece.noise = noise
            _count(tally, noise, piece)
            changed = True
    return changed


def _noise(name: str, piece: Piece) -> str:
    """What a marked line is that is no line of the dump; "" where it may be one."""
    if name == "kernel":
        return "kernel-messages"
    if name == "prompt" and _SURE_PROMPT.match(piece.rest, _indent(piece.rest)):
        return "command-lines"
    return ""


def _may_be_data(name: str, prefixes: Sequence[str]) -> bool:
    """Whether what most lines share may be a layout's own: a channel called `[D]`, a site or
    channel in front of a `>`, several ports."""
    words = {p.strip() for p in prefixes}
    if name == "level":
        letters = {w.strip("[]: ").upper() for w in words}
        return all(len(letter) == 1 for letter in letters) and not letters & {"I", "W"}
    if name == "port":
        return len(words) > 1
    if name == "prompt":
        named = {w for w in words if w[0].isalpha() and w[-1] in ">#" and "@" not in w}
        return len(named) > 1 or any(len(w) < 3 or re.search(r"\d", w) for w in named)
    return False


def _count(tally: Tally, kind: str, piece: Piece) -> None:
    if kind not in piece.told:
        piece.told.add(kind)
        tally.add(kind, piece.number, piece.cut + 1)


def _indent(text: str) -> int:
    return len(text[:8]) - len(text[:8].lstrip(" \t"))


def _bare(text: str) -> str:
    """The text without any prefix of any family."""
    for _ in range(_ROUNDS):
        for _name, prefix, _kind in _FAMILIES:
            found = prefix.match(text, _indent(text))
            if found and found.end():
                text = text[found.end() :]
                break
        else:
            break
    return text


def _is_echo(pieces: Sequence[Piece], i: int, bare: str, anchor: re.Pattern[str]) -> bool:
    """Whether line `i` is only the command that printed the dump: `rig$ bench-dump 1` with the
    same words again below it."""
    for below in pieces[i + 1 : i + 4]:
        rest = below.rest
        if rest and not rest.isspace():
            return bool(anchor.match(rest)) and rest.split() == bare.split()
    return False
