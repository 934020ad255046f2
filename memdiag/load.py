"""The one way in: `load(text or path)` gives the runs of a text, checked against their board."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from memdiag import clean, grammars, profiles, reader, unpack
from memdiag.account import Account
from memdiag.board import Board
from memdiag.clean import Cleaned
from memdiag.problems import Position, Problem, problem
from memdiag.records import Run


class Unreadable(ValueError):
    """A text that holds no dump. `problems` says why."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(p.sentence() for p in problems))


@dataclass(frozen=True, slots=True)
class Examined:
    """A text, read: `problems` belong to no run; `account` tells what became of every line."""

    runs: tuple[Run, ...]
    layout: grammars.Layout
    problems: tuple[Problem, ...]
    account: Account
    cleaned: Cleaned


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

    Raises Unreadable where no dump is found, grammars.LayoutError for an unusable `grammar`,
    profiles.ProfileError for an unusable `board`, OSError where a file cannot be read.
    """
    if isinstance(source, os.PathLike):
        data = Path(source).read_bytes()
        name = os.fspath(source) if name == "-" else name
    else:
        # A lone surrogate in a str is no character: it is kept as the bytes it came from.
        data = source.encode("utf-8", "surrogatepass") if isinstance(source, str) else source
    found = examine(data, grammar=grammar, name=name)
    runs = []
    for each in found.runs:
        both = tuple(dict.fromkeys((*(each.head.removed or ()), *removed)))
        run = replace(each, head=replace(each.head, removed=both)) if removed else each
        judged, said = profiles.for_run(run, board)
        runs.append(run.with_problems((*said, *_checks(run, judged))))
    return runs


def examine(data: bytes, *, grammar: str | None = None, name: str = "-") -> Examined:
    """Clean and read a text, without a board. Raises as `load` does."""
    text, packed = unpack.unpack(data)
    if packed and packed[0].code in ("packer-unknown", "packer-missing"):
        raise Unreadable(packed)
    cleaned = clean.tidy(text)
    if packed:
        cleaned = replace(cleaned, problems=(*packed, *cleaned.problems))
    said = cleaned.problems
    if not any(line.text.strip() or line.noise for line in cleaned.lines):
        raise Unreadable((*said, problem("empty-text")))
    if grammar is not None:
        layout = grammars.find(grammar)
    else:
        layout, more = recognise(cleaned)
        said += more
    reading = reader.read(cleaned, layout, sha256=hashlib.sha256(data).hexdigest(), name=name)
    said += reading.problems
    runs = reading.runs
    if not any(map(_says_something, runs)):
        first = next(line.number for line in cleaned.lines if line.text.strip() or line.noise)
        more = tuple(p for run in runs for p in run.problems)
        raise Unreadable(
            (problem("no-rows", Position(first), layout=layout.name), *said, *more)
        )  # fmt: skip
    # What belongs to no dump is told with the first one: nothing is said twice.
    first_run = replace(runs[0], problems=(*said, *runs[0].problems))
    return Examined((first_run, *runs[1:]), layout, said, reading.account, cleaned)


def _says_something(run: Run) -> bool:
    """Whether a dump's head or a row of data was recognised."""
    return bool(run.source.rows or run.head.lines or run.source.headed)


def recognise(cleaned: Cleaned) -> tuple[grammars.Layout, tuple[Problem, ...]]:
    """The layout whose pattern is found in a line of the text; the first on the search path where
    there are several, and a problem that says so. Raises Unreadable where there is none."""
    # Stripped: a paste may be indented as a whole.
    texts = [line.text.strip() for line in cleaned.lines
             if line.text and len(line.text) <= reader.LONGEST]  # fmt: skip
    found: list[grammars.Entry] = []
    tried: list[str] = []
    problems: list[Problem] = []
    for entry in grammars.entries():
        if entry.recognise is None:
            continue
        try:
            search = re.compile(entry.recognise).search
        except re.error as wrong:
            problems.append(problem("bad-recognise", file=entry.path, reason=wrong))
            continue
        tried.append(entry.name)
        if any(map(search, texts)):
            found.append(entry)
    if not found:
        raise Unreadable((*cleaned.problems, problem("no-dump", layouts=", ".join(tried))))
    usable: list[grammars.Layout] = []
    for entry in found:
        try:
            usable.append(grammars.load(entry.path))
        except grammars.LayoutError as wrong:
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
    try:
        from memdiag.checks import CHECKS
    except ModuleNotFoundError:
        return []
    return [found for check in CHECKS for found in check(run, board)]
