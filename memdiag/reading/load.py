"""The one way in: `load(text or path)` gives the runs of a text, checked against their board."""

from __future__ import annotations

import codecs
import io
import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import BinaryIO, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.layouts import registry
from memdiag.model import Board, Run
from memdiag.model.problems import Position, Problem, problem
from memdiag.model.vocabulary import Vocabulary, shipped
from memdiag.reading import chunks, designators, header, recognition, repeats, sources, stream
from memdiag.reading.account import Account, LineClass
from memdiag.reading.bounds import Refused
from memdiag.reading.cleaning import clean, decode, unpack
from memdiag.reading.cleaning.clean import Cleaned
from memdiag.reading.cleaning.prefixes import ANCHOR
from memdiag.reading.reader import Reading
from memdiag.reading.sources import Unreadable

__all__ = ["Examined", "Unreadable", "declared_removed", "examine", "load"]

LARGE = 256 << 10
"""Bytes from which on a text is read in parts; a shorter one is one chunk."""
_SAMPLE = 64 << 10  # bytes of the beginning of a large text that are looked at first


class Examined(Struct, frozen=True):
    """A text, read: `problems` belong to no run; `account` tells what became of every line.
    `cleaned` are its lines, None where it was too large to keep them."""

    runs: tuple[Run, ...]
    layout: registry.Layout
    problems: tuple[Problem, ...]
    account: Account
    cleaned: Cleaned | None


def load(
    source: str | bytes | os.PathLike[str] | BinaryIO,
    *,
    board: str | Path | Board | None = None,
    grammar: str | None = None,
    removed: Sequence[str] = (),
    name: str = "-",
    words: Vocabulary | None = None,
    watch: Callable[[int], None] | None = None,
) -> list[Run]:
    """The runs of a text, in order; each carries its problems.

    `source` is the text (str or bytes), a file as a Path, or a pipe that is open for reading bytes
    (it is read to its end). `board` is a profile to use instead
    of the one the text names, `grammar` a layout's name or file to use instead of the one its
    text is recognised by. `removed` are sites that are empty on purpose, beside those of the text;
    `words` the words that technicians of this shop use, the shipped ones where None. `watch` is
    told of every piece of the unpacked text how many bytes it has, when it is read.

    Raises Unreadable where no dump is found, registry.LayoutError for an unusable `grammar`,
    profiles.ProfileError for an unusable `board`, OSError where a file cannot be read, TypeError
    where `removed` is a text.
    """
    _refuse_text(removed)
    way = _Way(grammar, name, words or shipped(), watch)
    if isinstance(source, os.PathLike):
        source = Path(source)
        way = way._replace(name=str(source)) if name == "-" else way
    elif isinstance(source, str):
        # A lone surrogate in a str is no character: it is kept as the bytes it came from.
        source = source.encode("utf-8", "surrogatepass")
    with sources.opened(source) as text:
        found = _examine(text, way)
    runs = []
    for each in found.runs:
        run = designators.respelt(declared_removed(each, removed), None)
        judged, said = profiles.for_run(run, board)
        run = repeats.without(designators.respelt(run, judged))
        runs.append(run.with_problems((*said, *_checks(run, judged))))
    return runs


def declared_removed(run: Run, refs: Sequence[str], board: Board | None = None) -> Run:
    """The run with these sites empty on purpose, beside those that it says itself."""
    if not refs:
        return run
    _refuse_text(refs)
    said = [header.part(ref) for ref in refs]
    sites = (*(run.head.removed or ()), *(name for name, is_part in said if not is_part))
    parts = (*run.head.removed_parts, *(name for name, is_part in said if is_part))
    head = replace(
        run.head, removed=designators.of_run(sites, run), removed_parts=tuple(dict.fromkeys(parts))
    )
    return designators.respelt(replace(run, head=head), board)


def _refuse_text(refs: Sequence[str]) -> None:
    """A text is a list of letters to Python: `removed="U6"` would mean the sites U and 6."""
    if isinstance(refs, str):
        raise TypeError(f"removed is a list of sites, such as [{refs!r}], and no text")


def _checks(run: Run, board: Board) -> list[Problem]:
    from memdiag.reading.checks import CHECKS

    return [found for check in CHECKS for found in check(run, board)]


def examine(data: bytes, *, grammar: str | None = None, name: str = "-") -> Examined:
    """Clean and read a text as one chunk, whatever its size, without a board. Raises as `load`."""
    with sources.opened(data, whole=True) as text:
        return _examine(text, _Way(grammar, name, shipped()), whole=True)


# -- how it is read -----------------------------------------------------------------------------


class _Way(NamedTuple):
    """How a text is read: the layout that was named, what its source is called, the words, and who
    is told how much was read."""

    grammar: str | None
    name: str
    words: Vocabulary
    watch: Callable[[int], None] | None = None


# -- one chunk, or many -------------------------------------------------------------------------


def _examine(text: sources.Text, way: _Way, *, whole: bool = False) -> Examined:
    """Read a text: as one chunk where it is short or `whole`, else part by part."""
    try:
        return _examine_within_bounds(text, way, whole=whole)
    except (Refused, unpack.TooLarge) as beyond:
        told = (*text.told, *unpack.stream_problems(text.file))
        raise Unreadable((*told, beyond.problem)) from None


def _examine_within_bounds(text: sources.Text, way: _Way, *, whole: bool) -> Examined:
    from concurrent.futures import ThreadPoolExecutor  # only large texts need it

    with ThreadPoolExecutor(1) as beside:
        file = stream.Hashed(text.file, beside, text.sha256, text.most, way.watch)
        if whole:
            found = _one_chunk(file.read(), text, way)
        else:
            blocks = chunks.blocks(file)
            first = _beginning(blocks)
            if len(first) < LARGE:
                found = _one_chunk(first, text, way)
            elif _is_in_lines(first):
                found = _in_parts(first, blocks, text, way)
            else:
                found = _examine(_anew(first, blocks, text, file), way._replace(watch=None))
        sha256 = file.sha256()
    runs = (replace(run, source=replace(run.source, sha256=sha256)) for run in found.runs)
    return replace(found, runs=tuple(runs))


def _beginning(blocks: Iterator[bytes]) -> bytes:
    """So many blocks that a text of them is large; all of them where it is not."""
    found = b""
    while len(found) < LARGE:
        block = next(blocks, b"")
        if not block:
            break
        found += block
    return found


def _one_chunk(data: bytes, text: sources.Text, way: _Way) -> Examined:
    told = (*text.told, *unpack.stream_problems(text.file))
    sources.refuse_foreign(told)
    cleaned = clean.tidy(data)
    said = (*told, *cleaned.problems)
    if not any(line.text.strip() or line.noise for line in cleaned.lines):
        raise Unreadable((*said, problem("empty-text")))
    layout, more = _layout((cleaned,), said, way.grammar)
    anchor = recognition.anchor(layout)
    if anchor is not ANCHOR and clean.COUNTED & {p.code for p in said}:
        # What stands in front of lines is judged by lines that are surely the layout's own.
        cleaned = clean.tidy(data, anchor)
        said = (*told, *cleaned.problems)
    reading = stream.read_whole(cleaned, layout, name=way.name, words=way.words)
    return _examined(reading, layout, (*said, *more), cleaned)


def _in_parts(first: bytes, rest: Iterator[bytes], text: sources.Text, way: _Way) -> Examined:
    """Read a large text in UTF-8. Its beginning says which layout it has."""
    cleaned = clean.tidy(_sample(first))
    codes = {p.code for p in cleaned.problems}
    if "not-a-text" in codes and way.grammar is None:
        raise Unreadable((*text.told, *cleaned.problems, problem("no-dump", layouts="")))
    again = {*clean.COUNTED, "bytes-not-text"}  # told when the whole text was cleaned
    said = tuple(p for p in cleaned.problems if p.code not in again)
    more_samples = (clean.tidy(piece) for piece in _pieces(first))
    layout, more = _layout(itertools.chain((cleaned,), more_samples), said, way.grammar)
    reading, dirt = stream.read(
        itertools.chain((first.removeprefix(codecs.BOM_UTF8),), rest),
        layout,
        name=way.name,
        words=way.words,
        said=said,
        anchor=recognition.anchor(layout),
    )
    told = (*text.told, *unpack.stream_problems(text.file))
    return _examined(reading, layout, (*told, *said, *more, *dirt), None)


def _sample(first: bytes) -> bytes:
    return first[: first.rfind(b"\n", 0, _SAMPLE) + 1 or _SAMPLE]


def _pieces(first: bytes) -> Iterator[bytes]:
    return (first[at : at + _SAMPLE] for at in range(0, len(first), _SAMPLE))


def _is_in_lines(first: bytes) -> bool:
    """Whether a text that begins so is in an encoding that can be cut in lines as it is."""
    decoded = decode.decode(_sample(first))
    codes = {p.code for p in decoded.problems}
    return decoded.encoding == "utf-8" and "old-line-ends" not in codes


def _anew(
    first: bytes, rest: Iterator[bytes], text: sources.Text, file: stream.Hashed
) -> sources.Text:
    """The text written anew in UTF-8, with LF line ends."""
    held = [first]
    for block in rest:
        held.append(block)
        if sum(map(len, held)) > unpack.IN_MEMORY:
            raise unpack.too_large(unpack.IN_MEMORY)
    told = (*text.told, *unpack.stream_problems(text.file))
    sources.refuse_foreign(told)
    decoded = decode.decode(b"".join(held))
    told += decoded.problems
    if decoded.rubbish:
        raise Unreadable(told)
    return sources.Text(io.BytesIO(decoded.text.encode()), told, file.sha256(), text.most)


def _layout(
    samples: Iterable[Cleaned], said: tuple[Problem, ...], grammar: str | None
) -> tuple[registry.Layout, tuple[Problem, ...]]:
    """The layout, and what there was to say while it was looked for."""
    if grammar is not None:
        return registry.find(grammar), ()
    try:
        return recognition.recognise(samples)
    except recognition.NoDump as none:
        raise Unreadable((*said, none.problem)) from None


# -- what came of it ----------------------------------------------------------------------------


def _examined(
    reading: Reading, layout: registry.Layout, said: tuple[Problem, ...], cleaned: Cleaned | None
) -> Examined:
    said += reading.problems
    runs = reading.runs
    if not any(map(_says_something, runs)):
        extents = reading.account.extents
        first = next((e.first for e in extents if e.line_class is not LineClass.BLANK), 1)
        more = tuple(p for run in runs for p in run.problems)
        raise Unreadable((problem("no-rows", Position(first), layout=layout.name), *said, *more))
    # What belongs to no dump is told with the first one: nothing is said twice.
    first_run = replace(runs[0], problems=(*said, *runs[0].problems))
    return Examined((first_run, *runs[1:]), layout, said, reading.account, cleaned)


def _says_something(run: Run) -> bool:
    """Whether a dump's head or a row of data was recognised."""
    return bool(run.source.rows or run.head.lines or run.source.headed)
