"""Which layout a text is in, told by the patterns that the layouts are recognised by."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from memdiag.layouts import registry
from memdiag.layouts.patterns import nature
from memdiag.model.problems import Problem, problem
from memdiag.reading.cleaning.clean import LONGEST, LONGEST_UNSTEADY, Cleaned
from memdiag.reading.cleaning.prefixes import ANCHOR


class NoDump(ValueError):
    """No layout's pattern is found in the text. `problem` says which were tried."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem.sentence())


Found = tuple[registry.Layout, tuple[Problem, ...]]
"""A layout, and what there was to say while it was looked for."""


def recognise(samples: Iterable[Cleaned]) -> Found:
    """The layout whose pattern is found in a line of the first sample that holds such a line; the
    first on the search path where there are several, and a problem that says so. Raises NoDump
    where there is none, registry.LayoutError where none of those found is usable."""
    none: NoDump | None = None
    for cleaned in samples:
        try:
            return _in_sample(cleaned)
        except NoDump as found:
            none = none or found
    assert none is not None
    raise none


def _in_sample(cleaned: Cleaned) -> Found:
    # Stripped: a paste may be indented as a whole. A pattern is sought from each place of a line,
    # which takes the square of its length where it begins like what it goes on with.
    lines = (line.text for line in cleaned.lines if line.text and len(line.text) <= LONGEST)
    texts = [text.strip()[:LONGEST_UNSTEADY] for text in lines]
    problems: list[Problem] = []
    known = list(patterns(problems))
    found = [entry for entry, pattern in known if any(map(pattern.search, texts))]
    if not found:
        tried = ", ".join(entry.name for entry, _ in known)
        raise NoDump(problem("no-dump", layouts=tried))
    usable = _usable(found, problems)
    if len(usable) > 1:
        names = " and ".join(layout.name for layout in usable)
        problems.append(problem("two-layouts", names=names, taken=usable[0].name))
    return usable[0], tuple(problems)


def patterns(problems: list[Problem]) -> Iterator[tuple[registry.Entry, re.Pattern[str]]]:
    """The layouts that can be recognised, and by what; others are told of in `problems`."""
    for entry in registry.entries():
        if entry.recognise is None:
            continue
        try:
            pattern = re.compile(entry.recognise)
            if nature(entry.recognise).hangs:
                raise ValueError("it could take for ever on some lines")
        except (re.error, ValueError, RecursionError, OverflowError) as wrong:
            problems.append(problem("bad-recognise", file=entry.path, reason=wrong))
            continue
        yield entry, pattern


def _usable(found: Sequence[registry.Entry], problems: list[Problem]) -> list[registry.Layout]:
    """The layouts of these that can be used, one at least; others are told of in `problems`."""
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
    return usable


def anchor(layout: registry.Layout) -> re.Pattern[str]:
    """What matches whole lines that are surely a dump's own: see `clean.tidy`."""
    if layout.name == registry.BENCH or not layout.recognise:
        return ANCHOR
    return re.compile(layout.recognise)
