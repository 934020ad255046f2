"""Inputs that are small and ask for much: what each once cost stands in the table of the long run.

Each makes the bytes of a paste. They are told apart by what in a reader could grow with them.
"""

from __future__ import annotations

import gzip
import lzma
import random
from collections.abc import Callable
from functools import partial

from msgspec import Struct

HEAD = "bench-dump 1\n[run]\nid r1\nboard quince-8\n"
TRAINING = "[training]\nsite ch lane step result\n"
SOUND = "".join(f"U{n} {n - 1} {lane} read pass\n" for n in range(1, 9) for lane in (0, 1))
DUMP = f"{HEAD}{TRAINING}{SOUND}[end] 16\n"
TINY = "bench-dump 1\n[training]\nsite step result\nU1 read pass\n"
MB = 1_000_000


class Bomb(Struct, frozen=True):
    """A paste by its name. `packed`: it is compressed, and what it holds is larger than 1 MB."""

    name: str
    make: Callable[[], bytes]
    packed: bool = False


def _line(unit: str) -> bytes:
    """A dump with a line of a megabyte."""
    return (HEAD + TRAINING + unit * (MB // len(unit)) + "\n" + SOUND).encode()


def _full(lines: str) -> bytes:
    """A dump whose table goes on with these lines up to a megabyte."""
    return (HEAD + TRAINING + lines * (MB // len(lines))).encode()


def _lines_of(unit: str, length: int) -> Callable[[], bytes]:
    """Lines of so many characters each, up to a megabyte."""
    return partial(_full, unit * (length // len(unit)) + "\n")


def _only(lines: str) -> Callable[[], bytes]:
    """These lines alone, up to a megabyte."""
    return _of(lines * (MB // len(lines)))


def _shuffled_words() -> bytes:
    rng = random.Random(1)
    words = (SOUND + "pass fail , | - 0x1f 1e9 [end] bench-dump > # ( ) 1 2 3").split()
    made = "\n".join(" ".join(rng.choices(words, k=12)) for _ in range(MB // 40))
    return (HEAD + TRAINING + made).encode()


def _noise() -> bytes:
    return random.Random(2).randbytes(MB)


def _printable_noise() -> bytes:
    rng = random.Random(3)
    return bytes(rng.choices([10, *range(32, 127)], k=MB))


def _sites(n: int) -> str:
    return " ".join(f"U{i}" for i in range(n))


def _moves(n: int) -> str:
    return " ".join(f"U{i}>U{i + 1}" for i in range(n))


def _head_list(key: str, text: str) -> Callable[[], bytes]:
    return _of(f"{HEAD}{key} {text}\n{TRAINING}{SOUND}")


def _zeros(packer: Callable[[bytes], bytes], mib: int) -> Callable[[], bytes]:
    return lambda: packer(b"\0" * (mib << 20))


def _rows(packer: Callable[[bytes], bytes], mib: int) -> Callable[[], bytes]:
    text = (HEAD + TRAINING).encode() + b"U3 0 1 read pass\n" * ((mib << 20) // 17)
    return lambda: packer(text)


def _long_line() -> bytes:
    return gzip.compress((HEAD + TRAINING).encode() + b"a" * (100 << 20))


def _members() -> bytes:
    return gzip.compress(b"") * 20_000 + gzip.compress(DUMP.encode())


def _of(text: str) -> Callable[[], bytes]:
    return partial(str.encode, text)


def _table(header: str, lines: str) -> Callable[[], bytes]:
    """A table of these lines."""
    return _of(f"{HEAD}{header}\n{lines}")


def _head(lines: str) -> Callable[[], bytes]:
    """A head that goes on with these lines up to a megabyte, and a sound board."""
    return _of(HEAD + lines * (MB // len(lines)) + TRAINING + SOUND)


def _word(n: int) -> str:
    return "0x" + "f" * n


PLAIN = (
    Bomb("8 lines of 9,000 commas", _of(HEAD + TRAINING + ("," * 9000 + "\n") * 8)),
    Bomb("lines of 9,000 commas", _lines_of(",", 9000)),
    Bomb("lines of 9,000 bars", _lines_of("|", 9000)),
    Bomb("lines of 9,000 dashes", _lines_of("-", 9000)),
    Bomb("lines of 9,000 blanks and a cell", partial(_full, " " * 9000 + "x\n")),
    Bomb("lines of 5,000 cells", _lines_of("1 ", 9990)),
    Bomb("lines of 5,000 cells with commas", _lines_of("1,", 9990)),
    Bomb("lines of digits", _lines_of("1", 9990)),
    Bomb("lines of thousands", _lines_of("1,000 ", 9990)),
    Bomb("lines of words", _lines_of("U3 pass fail read ", 9990)),
    Bomb("lines of brackets", _lines_of("[", 9990)),
    Bomb("lines of tabs", _lines_of("\t", 9000)),
    Bomb("nothing but sections", _only("[training]\n")),
    Bomb("unknown sections", _only("[thing]\nabc\n")),
    Bomb("70,000 bare heads", _only("bench-dump 1\n")),
    Bomb("20,000 tiny dumps", _only(TINY)),
    Bomb("tiny dumps that fail", _only(TINY.replace("pass", "fail"))),
    Bomb("tiny dumps with ends", _only("bench-dump 1\n[run]\nid a\n[end] 0\n")),
    Bomb("bare ends", _only("[end]\n")),
    Bomb("125,000 lone carriage returns", _of(HEAD + TRAINING + "a\r" * 125_000 + "\nx\n")),
    Bomb("a megabyte of carriage returns", _of(HEAD + TRAINING + "\r" * MB + "\nx\n")),
    Bomb("carriage returns and cells", partial(_line, "U3 0 1 read pass\r")),
    Bomb("backspaces", partial(_line, "a\b")),
    Bomb("escape sequences", partial(_line, "\x1b[31m")),
    Bomb("cursor moves", partial(_line, "\x1b[9999Ca")),
    Bomb("unended escapes", partial(_line, "\x1b]0;")),
    Bomb("tabs", partial(_line, "\t")),
    Bomb("one line", partial(_line, "x")),
    Bomb("combining characters", partial(_line, "\u0301\U0001f600")),
    Bomb("bytes that are no text", lambda: (HEAD + TRAINING).encode() + b"\xff\xfe a\n" * 200_000),
    Bomb("null bytes", _of(HEAD + "\0" * MB)),
    Bomb("noise", _noise),
    Bomb("printable noise", _printable_noise),
    Bomb("shuffled words", _shuffled_words),
    Bomb("blank lines", _only("\n")),
    Bomb("remarks", _only("#\n")),
    Bomb("rows of one letter", partial(_full, "x\n")),
    Bomb("rows like the header", partial(_full, "site ch lane step result\n")),
    Bomb("rows of no column", _table("[training]", "a b\n" * (MB // 4))),
    Bomb("failing rows", partial(_full, "U3 0 1 read fail\n")),
    Bomb("rows a letter off", partial(_full, "U3 O l raed faill\n")),
    Bomb("as wide as the terminal", partial(_full, "U3 0 1 read " + "p" * 68 + "\n")),
    Bomb("removed with 1,500 sites", _head_list("removed", _sites(1500))),
    Bomb("removed with 140,000 sites", _head_list("removed", _sites(140_000))),
    Bomb("removed in many lines", _head("removed U1 U2\n")),
    Bomb("removed at full length", _head(f"removed {_sites(1500)}\n")),
    Bomb("swapped with 800 moves", _head_list("swapped", _moves(800))),
    Bomb("replaced with 1,500 sites", _head_list("replaced", _sites(1500))),
    Bomb("unknown keys", _head("abc def\n")),
    Bomb("keys with marks", _head("a=b:c=d: e\n")),
    Bomb("columns without end", _table("[training]", ("step " * 1900 + "\n") * 100)),
    Bomb("kernel stamps", partial(_full, "[    1.234567] usb 1-1: x\n")),
    Bomb("prompts", partial(_full, "rig> $ > => x\n")),
    Bomb("glued ends", _only("[end] 12rig$ x\n")),
    Bomb(
        "error words of 1,024 bits",
        _table("[errors]\nsite address wrote read", f"U3 0x1 {_word(256)} {_word(255)}\n" * 1800),
    ),
    Bomb(
        "values", _table("[values]\nname value", "".join(f"n{i} {i}mV\n" for i in range(MB // 12)))
    ),
    Bomb("rails", _table("[rails]\nrail ohms", "VDD 1.5\n" * (MB // 9))),
    Bomb(
        "windows",
        _table(
            "[training]\nsite ch lane step result window",
            ("U3 0 1 read pass " + "01" * 4900 + "\n") * 100,
        ),
    ),
    Bomb(
        "columns that nobody knows",
        _table(
            "[training]\nsite step result " + " ".join(f"x{i}" for i in range(900)),
            ("U3 read pass " + "1 " * 900 + "\n") * 500,
        ),
    ),
    Bomb(
        "numbers of 4,000 digits",
        _table("[counts]\nsite bits errors", f"U3 {'9' * 4000} 1e{'9' * 4000}\n" * 120),
    ),
    Bomb("UTF-16", lambda: (HEAD + TRAINING + "U3 0 1 read pass\n" * (MB // 34)).encode("utf-16")),
)

PACKED = (
    Bomb("1 GiB of nothing in gzip", _zeros(gzip.compress, 1024), packed=True),
    Bomb("256 MiB of nothing in gzip", _zeros(gzip.compress, 256), packed=True),
    Bomb("256 MiB of nothing in xz", _zeros(lzma.compress, 256), packed=True),
    Bomb("200 MiB of equal rows in gzip", _rows(gzip.compress, 200), packed=True),
    Bomb("gzip in gzip", lambda: gzip.compress(gzip.compress(b"\0" * (64 << 20))), packed=True),
    Bomb("a line of 100 MiB in gzip", _long_line, packed=True),
    Bomb(
        "10 MB of tiny dumps in gzip", lambda: gzip.compress(TINY.encode() * 200_000), packed=True
    ),
    Bomb("10 MB of heads in gzip", lambda: gzip.compress(b"bench-dump 1\n" * 800_000), packed=True),
    Bomb("20,000 empty members of gzip", _members, packed=True),
)
