"""Damaged dumps without end: what a paste can go through, and what nobody would do by chance."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from memdiag.resources import shipped
from tests.fuzz.one import HEADS
from tests.simulator.damage import damage

TOKENS = (
    *(
        b"\0",
        b"\r",
        b"\t",
        b"\x1b[2K",
        b"\b",
        b"\xff",
        b"\xe2\x80\xa8",
        b"\xf0\x9f\x98\x80",
        b"\x9b",
    ),
    *(b"[end] 9", b"bench-dump 1", b"[run]", b"[training]", b"[counts]", b"[errors]", b"part:D12"),
    *(
        b"nan",
        b"inf",
        b"-1",
        b"1e999",
        b"0x",
        b"1,000",
        b"9" * 400,
        b"+-",
        b"%",
        b"-",
        b"n/a",
        b"|",
    ),
    *(b"U1>U2", b"removed", b"replaced", b"swapped", b"fail", b"no-response", b"not-found"),
)
_MOST = 200_000  # bytes of a mutated paste


def seeds() -> Sequence[bytes]:
    """What is mutated: the samples, and the heads that the fuzzing uses."""
    samples = shipped("samples")
    paths = sorted({*samples.glob("*.dump"), *(samples / "layouts").glob("*")})
    return (*(path.read_bytes() for path in paths if path.is_file()), *HEADS)


def pastes(rng: random.Random) -> Iterator[bytes]:
    """Mutated pastes, for ever."""
    known = seeds()
    while True:
        text = rng.choice(known)
        for _ in range(rng.choice((1, 1, 2, 3, 8, 30))):
            text = rng.choice(_CHANGES)(text, rng)[:_MOST]
        if rng.random() < 0.1:
            text += rng.choice(known)
        yield text


def _damaged(text: bytes, rng: random.Random) -> bytes:
    found = damage(text.decode("utf-8", "replace"), rng)
    return text if found is None else found.text.encode()


def _flip(text: bytes, rng: random.Random) -> bytes:
    changed = bytearray(text or b"x")
    changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def _splice(text: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(text) + 1)
    return text[:at] + rng.choice(TOKENS) * rng.choice((1, 1, 1, 2, 40)) + text[at:]


def _cut(text: bytes, rng: random.Random) -> bytes:
    at, gone = rng.randrange(len(text) + 1), rng.choice((1, 2, 10, 100, 10_000))
    return text[:at] + text[at + gone :]


def _lines(text: bytes, rng: random.Random) -> bytes:
    lines = text.split(b"\n")
    match rng.randrange(4):
        case 0:
            rng.shuffle(lines)
        case 1:
            lines += lines
        case 2:
            lines.insert(rng.randrange(len(lines) + 1), rng.choice(lines) * rng.choice((1, 3)))
        case _:
            del lines[rng.randrange(len(lines))]
    return b"\n".join(lines)


def _words(text: bytes, rng: random.Random) -> bytes:
    words = text.split(b" ")
    words[rng.randrange(len(words))] = rng.choice((*TOKENS, rng.choice(words)))
    return b" ".join(words)


_CHANGES: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    _damaged,
    _flip,
    _splice,
    _cut,
    _lines,
    _words,
)


def write(folder: Path, rng: random.Random, n: int) -> list[Path]:
    """So many mutated pastes as files of a folder."""
    made = []
    for number, text in zip(range(n), pastes(rng), strict=False):
        made.append(folder / f"{number}.dump")
        made[-1].write_bytes(text)
    return made
