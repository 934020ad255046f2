"""What keeps ohm readings from saying that the rails are good: readings that say nothing yet.

No contact, a figure that still moves, a rail that the board does not have: none of them is a rail
that was found good, and so each is an obstacle to calling the board clear.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec.structs import replace

from memdiag.model import Action, Board, Cause, Obstacle, ObstacleKind, Place, Run, Verdict
from memdiag.model.problems import Severity
from memdiag.model.quantities import show_ohms
from memdiag.model.rails import RailReading
from memdiag.model.spelling import closest


def held(verdict: Verdict, runs: Sequence[Run], readings: Sequence[RailReading]) -> Verdict:
    """The verdict with what the last reading of each rail leaves open; where it would say `clear`
    it is undecided then."""
    found = tuple(_obstacles(verdict, runs, readings))
    if not found:
        return verdict
    release = replace(verdict.release, obstacles=(*verdict.release.obstacles, *found))
    summary = verdict.summary
    if summary.cause is Cause.CLEAR:
        text = "the rails are not cleared: " + "; ".join(o.says for o in found)
        sure = 1 - summary.probability
        summary = replace(
            summary, cause=Cause.UNDECIDED, action=Action.RETEST, probability=sure, text=text
        )
    return replace(verdict, release=release, summary=summary)


def _obstacles(
    verdict: Verdict, runs: Sequence[Run], readings: Sequence[RailReading]
) -> Iterator[Obstacle]:
    board = verdict.board
    last = {reading.rail: reading for reading in readings}
    for rail, reading in last.items():
        if not reading.known:
            yield _unknown(rail, board)
        elif reading.over_range or reading.moving:
            yield _unfinished(reading, board)
        elif reading.word != "good" and not verdict.wants_action:
            # Where something is to be done, the findings speak of it.
            says = f"{rail} reads {show_ohms(reading.ohms)}: {reading.word}"
            again = f"read {rail} again, board off and discharged, on another pad of it"
            yield _again(rail, says, again + _healthy(board, rail))
        else:
            yield from _came_back(rail, reading, readings, verdict)
    fed = dict.fromkeys(row.rail for run in runs for row in run.heat)
    for rail in fed:
        if rail not in last and board.rail(rail) is None:
            yield _unknown(rail, board)
    for run in runs:
        yield from _unread(run)


def _came_back(
    rail: str, last: RailReading, readings: Sequence[RailReading], verdict: Verdict
) -> Iterator[Obstacle]:
    """A rail that reads well only since packages came off is not cleared: what came off, or the
    work on it, made the difference."""
    first = next(r for r in readings if r.rail == rail)
    off = ", ".join(sorted(set(last.without) - set(first.without)))
    bad = first.known and not first.over_range and first.word != "good"
    if off and bad and not verdict.wants_action:
        says = f"{rail} read {show_ohms(first.ohms)} with {off} on, and is well with it off"
        settle = f"read {rail} once more with {off} off: the same figure says that {off} drew it"
        yield _again(rail, says, settle)


def _unfinished(reading: RailReading, board: Board) -> Obstacle:
    """No contact, or a figure that had not come to rest."""
    rail = reading.rail
    if reading.over_range:
        says = f"{rail} reads over range: no contact, or open"
        return _again(
            rail,
            says,
            f"press the probes on bare metal of {rail} and of ground, read again, and in a higher "
            "range too; if it stays over range with good contact, the path to it is open",
        )
    return _again(
        rail,
        f"{rail} was still {reading.trend} at {show_ohms(reading.ohms)}: not its last figure",
        f"keep the probes on {rail} until the figure stands still, then read it again"
        + _healthy(board, rail),
    )


def _healthy(board: Board, rail: str) -> str:
    known = board.rail(rail)
    if known is None or not known.healthy_ohms_typical:
        return ""
    return f" (healthy: about {show_ohms(known.healthy_ohms_typical)})"


def _again(rail: str, says: str, settle: str) -> Obstacle:
    return Obstacle(ObstacleKind.READING, says, settle, (Place(rail=rail),))


def _unknown(rail: str, board: Board) -> Obstacle:
    names = [r.name for r in board.rails]
    near = closest(rail, names)
    meant = f"did you mean {near}?" if near else f"the board has {', '.join(names) or 'none'}"
    return _again(
        rail,
        f"{board.name or 'the board'} has no rail {rail}: what was read there is used for nothing",
        f"check the name {rail}: {meant}",
    )


def _unread(run: Run) -> Iterator[Obstacle]:
    """Readings that were typed and could not be read."""
    told = set()
    for p in run.problems:
        if p.severity is Severity.ERROR:
            told.add(p.position.line if p.position is not None else None)
            yield _type_again(p.message, p.hint)
    for lost in run.lost:
        if lost.position.line not in told:
            yield _type_again(f"a reading was not understood: {lost.says}", "")


def _type_again(says: str, why: str) -> Obstacle:
    settle = "write that reading again as RAIL=OHMS, like VDD_MEM=112"
    return Obstacle(ObstacleKind.UNREAD, says, settle + (f" ({why})" if why else ""))
