"""The one way in: `load(text or path)` gives the runs of a text, checked against their board."""

from __future__ import annotations

import hashlib
import io
import itertools
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from memdiag.boards import profiles
from memdiag.layouts import registry
from memdiag.layouts.patterns import nature
from memdiag.model.board import Board
from memdiag.model.problems import Position, Problem, problem
from memdiag.model.records import Run
from memdiag.reading import reader, stream
from memdiag.reading.account import Account, Fate
from memdiag.reading.cleaning import clean, decode, packers, unpack
from memdiag.reading.cleaning.clean import Cleaned
from memdiag.reading.cleaning.prefixes import ANCHOR


class Unreadable(ValueError):
    """A text that holds no dump. `problems` says why."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(p.sentence() for p in problems))


@dataclass(frozen=True, slots=True)
class Examined:
    """A text, read: `problems` belong to no run; `account` tells what became of every line.
    `cleaned` are its lines, None where it was too large to keep them."""

    runs: tuple[Run, ...]
    layout: registry.Layout
    problems: tuple[Problem, ...]
    account: Account
    cleaned: Cleaned | None


def load(
    source: str | bytes | os.PathLike[str],
    *,
    board: str | Path | Board | None = None,
    grammar: str | None = None,
    removed: Sequence[str] = (),
    name: str = "-",
) -> list[Run]:
    """The runs of a text, in order; each carries its problems.

    `source` is the text (str or bytes) or, as a Path, a file. `board` is a profile to use instead
    of the one the text names, `grammar` a layout's name or file to use instead of the one its
    text is recognised by. `removed` are sites that are empty on purpose, beside those of the text.

    Raises Unreadable where no dump is found, registry.LayoutError for an unusable `grammar`,
    profiles.ProfileError for an unusable `board`, OSError where a file cannot be read.
    """
    if isinstance(source, os.PathLike):
        name = os.fspath(source) if name == "-" else name
        found = _examine_file(Path(source), grammar, name)
    else:
        # A lone surrogate in a str is no character: it is kept as the bytes it came from.
        data = source.encode("utf-8", "surrogatepass") if isinstance(source, str) else source
        found = _examine_bytes(data, grammar, name)
    runs = []
    for each in found.runs:
        both = tuple(dict.fromkeys((*(each.head.removed or ()), *removed)))
        run = replace(each, head=replace(each.head, removed=both)) if removed else each
        judged, said = profiles.for_run(run, board)
        runs.append(run.with_problems((*said, *_checks(run, judged))))
    return runs


def examine(data: bytes, *, grammar: str | None = None, name: str = "-") -> Examined:
    """Clean and read a text, all of it at once, without a board. Raises as `load` does."""
    sha256 = hashlib.sha256(data).hexdigest()
    text, packed = unpack.unpack(data)
    _refuse_foreign(packed)
    return _examine_text(text, packed, sha256, grammar, name)


def _examine_text(
    text: bytes, packed: tuple[Problem, ...], sha256: str, grammar: str | None, name: str
) -> Examined:
    cleaned = clean.tidy(text)
    said = (*packed, *cleaned.problems)
    if not any(line.text.strip() or line.noise for line in cleaned.lines):
        raise Unreadable((*said, problem("empty-text")))
    layout, more = _layout(cleaned, said, grammar)
    if (
        layout.name != registry.BENCH
        and layout.recognise
        and clean.COUNTED & {p.code for p in said}
    ):
        # What stands in front of lines is judged by lines that are surely the layout's own.
        cleaned = clean.tidy(text, re.compile(layout.recognise))
        said = (*packed, *cleaned.problems)
    reading = reader.read(cleaned, layout, sha256=sha256, name=name)
    return _examined(reading, layout, (*said, *more), cleaned)


def _examined(
    reading: reader.Reading,
    layout: registry.Layout,
    said: tuple[Problem, ...],
    cleaned: Cleaned | None,
) -> Examined:
    said += reading.problems
    runs = reading.runs
    if not any(map(_says_something, runs)):
        first = next((e.first for e in reading.account.extents if e.fate is not Fate.BLANK), 1)
        more = tuple(p for run in runs for p in run.problems)
        raise Unreadable((problem("no-rows", Position(first), layout=layout.name), *said, *more))
    # What belongs to no dump is told with the first one: nothing is said twice.
    first_run = replace(runs[0], problems=(*said, *runs[0].problems))
    return Examined((first_run, *runs[1:]), layout, said, reading.account, cleaned)


def _refuse_foreign(packed: tuple[Problem, ...]) -> None:
    if packed and packed[0].code in ("packer-unknown", "packer-missing"):
        raise Unreadable(packed)


def _layout(
    cleaned: Cleaned, said: tuple[Problem, ...], grammar: str | None
) -> tuple[registry.Layout, tuple[Problem, ...]]:
    if grammar is not None:
        return registry.find(grammar), ()
    try:
        return recognise(cleaned)
    except Unreadable as none:
        raise Unreadable((*said, *none.problems)) from None


# -- large texts --------------------------------------------------------------------------------


def _examine_bytes(data: bytes, grammar: str | None, name: str) -> Examined:
    if len(data) < stream.LEAST and packers.packer(data[: packers.PEEK]) is None:
        return examine(data, grammar=grammar, name=name)
    text, packed = unpack.unpack(data)
    _refuse_foreign(packed)
    sha256 = hashlib.sha256(data).hexdigest()
    return _examine_stream(io.BytesIO(text), packed, sha256, grammar, name)


def _examine_file(path: Path, grammar: str | None, name: str) -> Examined:
    if not path.is_file():  # a pipe: it can be read once only
        return _examine_bytes(path.read_bytes(), grammar, name)
    with path.open("rb") as raw:
        head = raw.read(packers.PEEK)
        packed = packers.packer(head) is not None
        if not packed and path.stat().st_size < stream.LEAST:
            return examine(head + raw.read(), grammar=grammar, name=name)
        raw.seek(0)
        sha256 = hashlib.file_digest(raw, "sha256").hexdigest() if packed else None
    _refuse_foreign(() if packed else unpack.unpack(head)[1])
    with unpack.open_stream(path) as file:
        return _examine_stream(file, (), sha256, grammar, name)


_SAMPLE = 64 << 10


def _examine_stream(
    file: BinaryIO, packed: tuple[Problem, ...], sha256: str | None, grammar: str | None, name: str
) -> Examined:
    """Read a file in blocks. Its beginning says how it is encoded and which layout it has."""
    rest = stream.blocks(file)
    first = next(rest, b"")
    sample = first[: first.rfind(b"\n", 0, _SAMPLE) + 1 or _SAMPLE]
    cleaned = clean.tidy(sample)
    codes = {p.code for p in cleaned.problems}
    in_lines = cleaned.encoding == "utf-8" and "old-line-ends" not in codes
    if len(first) < stream.LEAST or not in_lines:
        text = b"".join((first, *rest))
        packed = (*packed, *unpack.stream_problems(file))
        _refuse_foreign(packed)
        sha256 = sha256 or hashlib.sha256(text).hexdigest()
        if in_lines or len(text) < stream.LEAST:
            return _examine_text(text, packed, sha256, grammar, name)
        # In an encoding that cannot be cut in lines as it is: written anew in one that can.
        anew = decode.decode(text)
        said = (*packed, *anew.problems)
        if anew.rubbish:
            raise Unreadable(said)
        return _examine_stream(io.BytesIO(anew.text.encode()), said, sha256, grammar, name)
    if "not-a-text" in codes and grammar is None:
        raise Unreadable((*packed, *cleaned.problems, problem("no-dump", layouts="")))
    again = {*clean.COUNTED, "bytes-not-text"}  # told when the whole text was cleaned
    said = tuple(p for p in cleaned.problems if p.code not in again)
    seen = [first]
    layout, more = _recognised(seen, rest, said, grammar, cleaned)
    anchor = ANCHOR
    if layout.name != registry.BENCH and layout.recognise:
        anchor = re.compile(layout.recognise)
    reading, dirt = stream.read(
        itertools.chain(seen, rest), layout, name=name, said=said, sha256=sha256, anchor=anchor
    )
    packed = (*packed, *unpack.stream_problems(file))
    return _examined(reading, layout, (*packed, *said, *more, *dirt), None)


def _recognised(
    seen: list[bytes],
    rest: Iterator[bytes],
    said: tuple[Problem, ...],
    grammar: str | None,
    cleaned: Cleaned,
) -> tuple[registry.Layout, tuple[Problem, ...]]:
    """The layout, looked for in the sample, then in the first blocks; those read are in `seen`."""
    try:
        return _layout(cleaned, said, grammar)
    except Unreadable:
        for number in range(_MOST_SEEN):
            if number == len(seen):
                block = next(rest, b"")
                if not block:
                    break
                seen.append(block)
            for at in range(0, len(seen[number]), _SAMPLE):
                piece = seen[number][at : at + _SAMPLE]
                try:
                    return _layout(clean.tidy(piece), said, grammar)
                except Unreadable:
                    continue
        raise


_MOST_SEEN = 1


# -- which layout -------------------------------------------------------------------------------


def _says_something(run: Run) -> bool:
    """Whether a dump's head or a row of data was recognised."""
    return bool(run.source.rows or run.head.lines or run.source.headed)


def recognise(cleaned: Cleaned) -> tuple[registry.Layout, tuple[Problem, ...]]:
    """The layout whose pattern is found in a line of the text; the first on the search path where
    there are several, and a problem that says so. Raises Unreadable where there is none."""
    # Stripped: a paste may be indented as a whole.
    texts = [
        line.text.strip()
        for line in cleaned.lines
        if line.text and len(line.text) <= reader.LONGEST
    ]
    found: list[registry.Entry] = []
    tried: list[str] = []
    problems: list[Problem] = []
    for entry in registry.entries():
        if entry.recognise is None:
            continue
        try:
            search = re.compile(entry.recognise).search
            if nature(entry.recognise).hangs:
                raise ValueError("it could take for ever on some lines")
        except (re.error, ValueError, RecursionError, OverflowError) as wrong:
            problems.append(problem("bad-recognise", file=entry.path, reason=wrong))
            continue
        tried.append(entry.name)
        if any(map(search, texts)):
            found.append(entry)
    if not found:
        raise Unreadable((problem("no-dump", layouts=", ".join(tried)),))
    usable: list[registry.Layout] = []
    for entry in found:
        try:
            usable.append(registry.load(entry.path))
        except registry.LayoutError as wrong:
            if entry is found[-1] and not usable:
                raise
            reason = wrong.problems[0].message.splitlines()[0]
            problems.append(
                problem("layout-skipped", name=entry.name, file=entry.path, reason=reason)
            )
    if len(usable) > 1:
        names = " and ".join(layout.name for layout in usable)
        problems.append(problem("two-layouts", names=names, taken=usable[0].name))
    return usable[0], tuple(problems)


def _checks(run: Run, board: Board) -> list[Problem]:
    from memdiag.reading.checks import CHECKS

    return [found for check in CHECKS for found in check(run, board)]
