"""What healthy looks like on a kind of board, learnt from dumps of known good ones."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from memdiag.diagnosis.settings import Settings
from memdiag.model import STEPS, Baseline, Board, HealthyEye, HealthyRail, HealthySlope, Run
from memdiag.model.problems import Problem, problem
from memdiag.repair import healthy_figures
from memdiag.repair.good_boards import choose
from memdiag.repair.healthy_figures import DETAILS, Figures
from memdiag.stats import binomial_limits, effective_events, median
from memdiag.stats.robust import factor_uncertain, spread

EYES_APART = 0.05
"""Standard deviation of the log of an eye from one good board to the next, before any was seen:
eyes of sound lanes lie within a tenth of each other (common practice, no source)."""

RAILS_APART = 0.10
"""The same of a rail's ohms (common practice, no source)."""

TAPS_APART = 0.10
"""The same of the length of a delay tap, which voltage, warmth and the lot move (common practice,
no source)."""

LEAST_SPREAD = 0.01
"""No eye and no meter is read more finely: eyes are printed in hundredths of a unit interval."""

MOST_SPREAD = 3.0
"""A factor of twenty either way: more than that is no knowledge, and no profile takes it."""

OWN_LANE = 3
"""From this many readings on a lane has a figure of its own; with fewer, that of all lanes is the
better guess."""

ENOUGH = 8
"""With this many boards the spread from board to board is known to a factor of two, at 95 %."""

CONFIDENCE = 0.95


class Learnt(Struct, frozen=True):
    """`baseline` is None where nothing could be learnt. `dumps` were learnt from, and `refused`
    were not, each with a problem that says why."""

    baseline: Baseline | None
    problems: tuple[Problem, ...]
    dumps: int
    refused: int


def learn(runs: Iterable[Run], board: Board, settings: Settings | None = None) -> Learnt:
    """The baseline of a board from dumps of good ones, in any order."""
    chosen = choose(runs, board, settings or Settings())
    boards = [
        healthy_figures.of_board([healthy_figures.of_dump(dump) for dump in of])
        for of in chosen.boards
    ]
    made = fitted(boards, [rail.name for rail in board.rails])
    said = chosen.problems
    if made is not None:
        said += _few(len(boards))
    elif boards:
        said.append(problem("baseline-nothing", why="the dumps print no figures"))
    elif not chosen.split:
        said.append(problem("baseline-nothing", why="no dump is left to learn from"))
    return Learnt(made, tuple(said), sum(map(len, chosen.boards)), chosen.refused)


def fitted(boards: Sequence[Figures], rails: Sequence[str]) -> Baseline | None:
    """The baseline of boards whose figures are these, and that of these rails; None where they
    have no figures."""
    eyes, slopes = tuple(_eyes(boards)), tuple(_slopes(boards))
    ohms, floor = tuple(_rails(boards, rails)), _error_floor(boards)
    if not (eyes or slopes or ohms or floor is not None):
        return None
    return Baseline(len(boards), eyes, slopes, ohms, floor)


def _few(boards: int) -> Iterator[Problem]:
    if boards >= ENOUGH:
        return
    if boards == 1:
        uncertain = (
            f"how far good boards lie apart cannot be seen, so {EYES_APART * 100:.0f} % is taken "
            f"for eyes and {RAILS_APART * 100:.0f} % for rails"
        )
    else:
        most = factor_uncertain(boards, CONFIDENCE)
        uncertain = f"the spread from board to board may be {most:.1f} times as wide (95 %)"
    many = "one board" if boards == 1 else f"{boards} boards"
    yield problem("baseline-few", boards=many, uncertain=uncertain, enough=ENOUGH)


# -- the figures --------------------------------------------------------------------------------


def _eyes(boards: Sequence[Figures]) -> Iterator[HealthyEye]:
    """By kind: of all lanes together and, where enough were read, of each. Where some rigs print
    eyes of lanes and others those of data lines, which are wider, the lanes' are taken."""
    kinds = {(e.what, e.unit, e.step) for board in boards for e in board.eyes}
    for kind in sorted(kinds, key=lambda k: (STEPS.index(k[2]), k)):
        logs = [
            {e: math.log(v) for e, v in board.eyes.items() if (e.what, e.unit, e.step) == kind}
            for board in boards
        ]
        seen = {e.detail for board in logs for e in board}
        detail = next(d for d in DETAILS if d in seen)
        eyes = [[(e.place.lane, v) for e, v in of.items() if e.detail == detail] for of in logs]
        yield HealthyEye(*kind, None, *_middle([[v for _, v in of] for of in eyes], EYES_APART))
        yield from (HealthyEye(*kind, lane, *own) for lane, own in _by_lane(eyes))


def _by_lane(
    eyes: Sequence[Sequence[tuple[int | None, float]]],
) -> Iterator[tuple[int, tuple[float, float]]]:
    """Centre and spread of each lane, from the logs of boards. The readings of one lane are too few
    to tell how it scatters: the spread is that of all of them, each about its own lane's centre."""
    of_lane: dict[int, list[float]] = {}
    for board in eyes:
        for lane, log in board:
            if lane is not None:
                of_lane.setdefault(lane, []).append(log)
    enough = {lane: logs for lane, logs in of_lane.items() if len(logs) >= OWN_LANE}
    centres = {lane: median(logs) for lane, logs in enough.items()}
    about = [
        # n readings lie closer to their own centre than to the true one.
        [(v - centres[k]) * math.sqrt(len(enough[k]) / (len(enough[k]) - 1)) for k, v in board]
        for board in ([(k, v) for k, v in of if k is not None and k in enough] for of in eyes)
    ]
    for lane in sorted(enough):
        yield lane, (_digits(math.exp(centres[lane]), 4), _middle(about, EYES_APART)[1])


def _middle(groups: Iterable[Sequence[float]], apart: float) -> tuple[float, float]:
    """The median of figures whose logs are given, and their spread as a log; one group a board."""
    said = [group for group in groups if group]
    centre = math.exp(median([value for group in said for value in group]))
    return _digits(centre, 4), _digits(min(max(spread(said, apart), LEAST_SPREAD), MOST_SPREAD), 2)


def _digits(value: float, n: int) -> float:
    """With so many digits: more are not known, and would hide it from who reads the profile."""
    return float(f"{value:.{n}g}")


def _slopes(boards: Sequence[Figures]) -> Iterator[HealthySlope]:
    """By step, over the channels of all boards."""
    steps = {key.step for board in boards for key in board.slopes}
    for step in sorted(steps, key=STEPS.index):
        lines = [[s for key, s in b.slopes.items() if key.step == step] for b in boards]
        groups = [[s.slope for s in of] for of in lines if of]
        taps = median([slope for group in groups for slope in group])
        unsure = median([s.error for of in lines for s in of])
        # Slopes of whole taps are often equal, and none is known better than its line.
        found = max(spread(groups, math.hypot(TAPS_APART * taps, unsure)), unsure)
        yield HealthySlope(step, _digits(taps, 4), _digits(found, 2))


def _rails(boards: Sequence[Figures], rails: Sequence[str]) -> Iterator[HealthyRail]:
    """In the order of the profile."""
    for rail in rails:
        groups = [[math.log(board.ohms[rail])] for board in boards if rail in board.ohms]
        if groups:
            yield HealthyRail(rail, *_middle(groups, RAILS_APART))


def _error_floor(boards: Sequence[Figures]) -> float | None:
    """The upper one-sided limit of the rate of all boards together. Errors that come in bursts are
    fewer events than bits: errors and bits are divided by how far places scatter."""
    counted = [counts for board in boards for counts in board.counts.values()]
    if not counted:
        return None
    errors, bits = ([float(each[i]) for each in counted] for i in (0, 1))
    seen = effective_events(errors, bits, CONFIDENCE)
    limits = binomial_limits(seen.events, sum(bits) / seen.dispersion, CONFIDENCE, sided=1)
    return _digits(limits[1], 3)
