"""What the head declares (memory, rate, stage, work done) against the board and the rows."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.model import Board, CountRow, Result, Run, TrainingRow
from memdiag.model.problems import Problem, problem
from memdiag.reading.checks.common import Sightings, head_line, measured, nearest, rows_text

# Data rates per line in Gbit/s, slowest and fastest grade of the family: JESD79-3, JESD79-4,
# JESD79-5, JESD209-4, JESD209-5, JESD212, JESD250 (from memory, rounded outwards). A head is only
# questioned far outside: a clock given for a rate, or a slipped prefix, is off by 8 times or more.
_RATES = {
    "ddr3": (0.8, 2.2),
    "ddr4": (1.6, 3.2),
    "ddr5": (3.2, 9.2),
    "lpddr4": (0.5, 4.3),
    "lpddr5": (0.5, 9.6),
    "gddr5": (2.0, 9.0),
    "gddr6": (10.0, 24.0),
}
_FAR = 8.0


def memory(run: Run, board: Board) -> Iterator[Problem]:
    """The head's memory family against the profile's."""
    said = run.head.memory
    if board.known and said is not None and board.memory is not None and said != board.memory:
        yield problem(
            "memory-differs",
            head_line(run, "memory"),
            said=said,
            profile=board.memory,
            board=board.name or "the profile",
        )


def rate(run: Run, board: Board) -> Iterator[Problem]:
    """A data rate no grade of the family comes near."""
    family = run.head.memory or board.memory
    if run.head.rate is None or family not in _RATES:
        return
    slow, fast = _RATES[family]
    said = run.head.rate / 1e9
    if not slow / _FAR <= said <= fast * _FAR:
        yield problem(
            "rate-unlike-memory",
            head_line(run, "rate"),
            rate=f"{said:g} Gbit/s",
            memory=family,
            slow=f"{slow:g}",
            fast=f"{fast:g}",
        )


def _declared(run: Run) -> Iterator[tuple[str, str]]:
    """Every site the head names, with the key that names it."""
    head = run.head
    for key, refs in (
        ("removed", head.removed),
        ("replaced", head.replaced),
        ("reflowed", head.reflowed),
    ):
        for ref in refs or ():
            yield key, ref
    for move in head.swapped or ():
        for ref in move:
            yield "swapped", ref


def declared_sites(run: Run, board: Board) -> Iterator[Problem]:
    """Sites named in removed, replaced, reflowed or swapped that the board does not have."""
    if not board.known:
        return
    known = [site.ref for site in board.sites]
    for key, ref in dict.fromkeys(_declared(run)):
        if ref not in known:
            yield problem(
                "declared-unknown",
                head_line(run, key),
                key=key,
                site=ref,
                board=board.name or "the profile",
                nearest=nearest(ref, known),
            )


def declared_twice(run: Run, board: Board) -> Iterator[Problem]:
    """A site said to be empty, and to have been given a package or heat as well."""
    head = run.head
    empty = set(head.removed or ())
    work = [("replaced", ref) for ref in head.replaced or ()]
    work += [("reflowed", ref) for ref in head.reflowed or ()]
    work += [("swapped", after) for _, after in head.swapped or ()]
    for key, ref in work:
        if ref in empty:
            yield problem("removed-and-more", head_line(run, key), site=ref, key=key)


def stage(run: Run, board: Board) -> Iterator[Problem]:
    """The stage against the work the head declares."""
    head = run.head
    at = head_line(run, "stage")
    if head.stage == "bare" and not (head.removed or head.removed_parts):
        yield problem("bare-of-nothing", at)
    worked = (head.replaced, head.swapped, head.reflowed, head.replaced_parts, head.reflowed_parts)
    if head.stage == "after-swap" and not any(worked):
        yield problem("swap-of-nothing", at)
    off = (*(head.removed or ()), *head.removed_parts)
    if head.stage in ("after-swap", "final") and off:
        yield problem(
            "still-removed", head_line(run, "removed") or at, stage=head.stage, sites=" ".join(off)
        )


def removed_answers(run: Run, board: Board) -> Iterator[Problem]:
    """A site said to be empty that trains, or that is compared without an error."""
    removed = set(run.head.removed or ())
    if not removed:
        return
    seen = Sightings()
    for row in measured(run):
        if not _answered(row):
            continue
        owners = row.place.sites(board)
        # A channel that several sites share answers as long as one of them does.
        if len(owners) == 1 and owners[0] in removed:
            seen.add(row.position, owners[0])
    for (site,), at in seen:
        yield problem("removed-answers", at.first, site=site, rows=rows_text(at.rows))


def _answered(row: TrainingRow | CountRow) -> bool:
    if isinstance(row, TrainingRow):
        return row.result in (Result.PASS, Result.MARGINAL)
    # An undriven line is wrong for about half of balanced data, never for none of it.
    return bool(row.bits) and row.errors == 0
