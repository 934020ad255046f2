"""What is asked of one fuzzed file that is no dump: it is used, or refused in words."""

from __future__ import annotations

import hashlib
import math
import tempfile
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path

from memdiag.boards import profiles
from memdiag.diagnosis import settings
from memdiag.layouts import grammar_compile
from memdiag.layouts.grammar_text import LayoutError
from memdiag.ledger import entries, records, tickets
from memdiag.resources import shipped

_FILED = (records.VERDICT, tickets.ABOUT, tickets.BOARD, entries.SUMS)
"""What a filed entry holds beside the dump; the first byte of an input says which of them it is."""

_DUMP = (
    b"bench-dump 1\n[run]\nboard quince-2\n[training]\nsite ch step result\nU1 0 id pass\n[end]\n"
)


def profile(data: bytes) -> None:
    board, found = profiles.examine(data)
    assert board is not None or found
    assert all(p.sentence() for p in found)
    for site in board.sites if board is not None else ():
        assert all(math.isfinite(v) for v in (site.x, site.y, site.rotation) if v is not None)


def shop(data: bytes) -> None:
    text = _text(data)
    if text is None:
        return
    try:
        settings.parse(text)
    except settings.BadSettings as wrong:
        assert wrong.problem.sentence()


def grammar(data: bytes) -> None:
    text = _text(data)
    if text is None:
        return
    try:
        grammar_compile.compile_pack(text, "fuzzed")
    except LayoutError as wrong:
        assert wrong.problems
        assert all(p.sentence() for p in wrong.problems)


def entry(data: bytes) -> None:
    """A filed entry of which one file is not what it was: nothing that reads it raises."""
    if not data:
        return
    name = _FILED[data[0] % len(_FILED)]
    home = _filed()
    was = (home / name).read_bytes()
    listed = (home / entries.SUMS).read_bytes()
    try:
        (home / name).write_bytes(data[1:])
        if name != entries.SUMS:  # a file that is what its list says goes further
            old, new = (hashlib.sha256(x).hexdigest().encode() for x in (was, data[1:]))
            (home / entries.SUMS).write_bytes(listed.replace(old, new))
        held = entries.survey(home.parent)
        assert len(held.entries) + len(held.aside) == 1
        for one in held.entries:
            records.of_entry(one)
        notes: list[str] = []
        tickets.runs_of(home.parent.parent, "R-1", notes, tickets.Reading())
    finally:
        (home / name).write_bytes(was)
        (home / entries.SUMS).write_bytes(listed)


@cache
def _filed() -> Path:
    """The folder of an entry that is whole."""
    root = Path(tempfile.mkdtemp(prefix="memdiag-fuzz-"))
    dump = tickets.judged(_DUMP, "dump", tickets.Reading())
    return tickets.attach(root, "R-1", dump).filed.entry.folder


def _text(data: bytes) -> str | None:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None


def _profiles() -> Iterator[bytes]:
    for _, path in profiles.shelf():
        yield path.read_bytes()[:4000]


def _shops() -> Iterator[bytes]:
    yield b'[priors]\nmissing = 0.3\n[costs]\nreplace = 70\n[words]\nfail = ["bad"]\n'
    yield b"[limits]\nconfidence = 0.95\n[stages]\nfinal = 0.4\n[worth]\nboard = 300\n"


def _grammars() -> Iterator[bytes]:
    for path in sorted(shipped("grammars").glob("*.lark")):
        yield path.read_bytes()[:4000]


def _entries() -> Iterator[bytes]:
    for n, name in enumerate(_FILED):
        yield bytes([n]) + (_filed() / name).read_bytes()[:4000]


TARGETS: Mapping[str, tuple[Callable[[bytes], None], Callable[[], Iterator[bytes]]]] = {
    "profile": (profile, _profiles),
    "shop": (shop, _shops),
    "grammar": (grammar, _grammars),
    "entry": (entry, _entries),
}
"""What is fuzzed beside dumps: what is asked of one input, and inputs to start from."""
