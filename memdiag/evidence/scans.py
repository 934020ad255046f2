"""Scans that stop before they are done: what they did not reach was not measured.

A scan prints a window for each candidate of a lane (a bitslip, a latency), mostly empty ones, and
then, on many rigs, the chosen one once more. Where the paste or the rig stopped in between, the
empty windows so far say nothing of the lane.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from msgspec import Struct, field

from memdiag.model import FAILED, Place, Result, TrainingRow

UNSAID = (None, "-")


class Sweep(Struct, frozen=True):
    """Which scan: a step of a link, at a set point and attempt."""

    place: Place
    step: str
    point: str | None
    attempt: int | None

    @property
    def kind(self) -> tuple[str, str | None, int | None]:
        """What the scans of all lanes that belong together have in common."""
        return (self.step, self.point, self.attempt)


class _Seen(Struct):
    candidates: dict[str, None] = field(default_factory=dict)  # in order of first mention
    closed: bool = False  # its chosen one was printed once more
    passes: bool = False  # the last candidate so far is one that works
    last: int = 0


def unfinished(rows: Iterable[tuple[Place, TrainingRow]], *, complete: bool) -> Mapping[Sweep, int]:
    """The scans that stop before they are done, each with the line where it stops.

    `rows` are training rows with the link each speaks of, in the order of their lines; `complete`
    says whether the dump reached its end. A scan is not done where it lacks candidates that the
    same scan of another lane has and its chosen one is not printed, unless it ended with a
    candidate that works, as rigs do that stop at the first; nor where the dump broke off in it.
    """
    seen: dict[Sweep, _Seen] = {}
    last: tuple[Sweep, int] | None = None
    for link, row in rows:
        at = Sweep(link, row.step, row.point, row.attempt)
        last = (at, row.position.line)
        if at in seen or row.candidate not in UNSAID:
            _note(seen.setdefault(at, _Seen()), row)
    found: dict[Sweep, int] = {}
    for alike in _together(seen).values():
        found |= _short(alike)
    if last is not None and not complete:
        at, line = last
        if at in seen and seen[at].last == line and not seen[at].closed:
            found[at] = line
    return found


def _note(scan: _Seen, row: TrainingRow) -> None:
    candidate = row.candidate
    scan.last = row.position.line
    again = candidate in UNSAID or candidate in scan.candidates
    if again and row.place.dq is None:
        scan.closed = scan.closed or not _is_empty(row)
        return
    scan.candidates.setdefault(candidate or "-")
    scan.passes = not _is_empty(row)


def _is_empty(row: TrainingRow) -> bool:
    if row.result is Result.NOT_FOUND:
        return True
    return row.window is not None and "1" not in row.window


def _together(seen: Mapping[Sweep, _Seen]) -> dict[object, dict[Sweep, _Seen]]:
    groups: dict[object, dict[Sweep, _Seen]] = {}
    for at, scan in seen.items():
        groups.setdefault(at.kind, {})[at] = scan
    return groups


def _short(alike: Mapping[Sweep, _Seen]) -> Mapping[Sweep, int]:
    """Of scans that belong together those that lack candidates of the fullest one."""
    fullest = max((s.candidates for s in alike.values()), key=len)
    closes = any(s.closed for s in alike.values())
    return {
        at: scan.last
        for at, scan in alike.items()
        if not scan.closed
        and (closes or not scan.passes)
        and scan.candidates.keys() < fullest.keys()
    }


LEAST_PROBED = 3
"""Fewer lanes that all fail at one attempt are lanes that fail."""


def probes(rows: Iterable[TrainingRow]) -> frozenset[tuple[str, int | None]]:
    """The steps and attempts at which a rig tried a configuration that works nowhere: every row of
    the step at that attempt failed, and a later attempt was made. They say nothing of a lane."""
    ended: dict[tuple[str, int | None], set[Result | None]] = {}
    lanes: dict[tuple[str, int | None], set[Place]] = {}
    last = 0
    for row in rows:
        if row.attempt is None or row.result is Result.NOT_RUN:
            continue
        at = (row.step, row.attempt)
        ended.setdefault(at, set()).add(row.result)
        lanes.setdefault(at, set()).add(row.place)
        last = max(last, row.attempt)
    return frozenset(
        at
        for at, results in ended.items()
        if results <= FAILED and len(lanes[at]) >= LEAST_PROBED and (at[1] or 0) < last
    )
