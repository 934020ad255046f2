"""Training rows against one another, and windows against what is printed beside them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterator

from memdiag.model import Board, Result, Run, TrainingRow
from memdiag.model.problems import Problem, problem
from memdiag.reading.checks.common import Sightings, few, rows_text
from memdiag.stats.windows import measure

_NOTHING_WORKS = (Result.NO_RESPONSE, Result.NOT_FOUND, Result.NOT_RUN)
_SWEEPS_DIFFER = 0.2  # of the eye's width, from one sweep to the next (common practice, no source)
_LEAST_SWEEP = 4  # taps: a shorter window says little by being full


def _setting(row: TrainingRow) -> Hashable:
    """What one measurement is of: rows alike in this measured the same thing."""
    return (
        row.place,
        row.step,
        row.attempt,
        row.point,
        row.candidate,
        row.temp,
        row.vref,
        row.taps,
        tuple(sorted(row.extra.items())),
    )


def _named(row: TrainingRow) -> str:
    return f"{row.place.as_row()}, {row.step}"


def results(run: Run, board: Board) -> Iterator[Problem]:
    """Rows of one measurement with different results."""
    first: dict[Hashable, TrainingRow] = {}
    told: set[Hashable] = set()
    found = []
    for row in run.training:
        if row.result is None:
            continue
        key = _setting(row)
        before = first.setdefault(key, row)
        if before.result is not row.result and key not in told:
            told.add(key)
            found.append(
                problem(
                    "rows-contradict",
                    row.position,
                    what=_named(row),
                    now=row.result,
                    line=before.position.line,
                    before=before.result,
                )
            )
    yield from few("rows-contradict", found)


def repeated(run: Run, board: Board) -> Iterator[Problem]:
    """Training rows printed again, word for word."""
    seen: set[Hashable] = set()
    again = Sightings()
    for row in run.training:
        key = (
            _setting(row),
            row.result,
            row.width,
            row.height,
            row.window,
            row.delay,
            row.spread,
            row.tries,
        )
        if key in seen:
            again.add(row.position)
        seen.add(key)
    for _, at in again:
        yield problem("rows-repeated", at.first, rows=rows_text(at.rows))


def windows(run: Run, board: Board) -> Iterator[Problem]:
    """A window against the result, the width and the delay printed in its row."""
    found: dict[str, list[Problem]] = defaultdict(list)
    for row in run.training:
        if row.result in _NOTHING_WORKS and row.width is not None and row.width.value > 0:
            found["result-against-width"].append(
                problem(
                    "result-against-width",
                    row.position,
                    what=_named(row),
                    result=row.result,
                    width=row.width,
                )
            )
        if row.window:
            for code, more in _window(row, row.window):
                found[code].append(problem(code, row.position, what=_named(row), **more))
    for code, items in found.items():
        yield from few(code, items)


def _window(row: TrainingRow, window: str) -> Iterator[tuple[str, dict[str, object]]]:
    taps = row.taps or 1.0
    eye = measure(window, taps, wraps=row.step == "level")
    if row.result is Result.PASS and eye.width == 0:
        yield "result-against-window", {"result": row.result, "window": "no tap that works"}
    elif row.result in _NOTHING_WORKS and eye.width > 0:
        works = f"{eye.width:g} taps that work"
        yield "result-against-window", {"result": row.result, "window": works}
    elif row.width is not None:
        in_taps = row.width.unit in (None, "tap", "taps")
        # Both edges may be rounded by a window character, and two sweeps of one eye differ.
        slack = max(2 * taps, _SWEEPS_DIFFER * eye.width)
        differs = in_taps and abs(row.width.value - eye.width) > slack
        if differs or (row.width.value > 0) != (eye.width > 0):
            yield "window-against-width", {"width": row.width, "window": f"{eye.width:g} taps"}
            return
    delay = row.delay
    if delay is None or delay.unit not in (None, "tap", "taps") or eye.first is None:
        return
    # Where the delay lies inside the sweep, it must lie on a tap that works, spread allowed.
    spread = (row.spread.value if row.spread is not None else 0.0) + taps
    if 0 <= delay.value < len(window) * taps and not any(
        window[max(0, min(len(window) - 1, int(at / taps)))] == "1"
        for at in (delay.value - spread, delay.value, delay.value + spread)
    ):
        last = eye.last if eye.last is not None else eye.first
        yield (
            "delay-outside-window",
            {"delay": delay, "first": f"{eye.first * taps:g}", "last": f"{last * taps:g}"},
        )


def full_windows(run: Run, board: Board) -> Iterator[Problem]:
    """Windows without an edge: the delay line may not move at all."""
    full = [
        row
        for row in run.training
        if row.window and len(row.window) >= _LEAST_SWEEP and "0" not in row.window
    ]
    if full:
        every = sum(1 for row in run.training if row.window)
        yield problem("window-full", full[0].position, rows=rows_text(len(full)), every=every)


def wide_eyes(run: Run, board: Board) -> Iterator[Problem]:
    """Eyes wider than a unit interval, which is the whole time of a bit."""
    wide = [
        problem("eye-too-wide", row.position, what=_named(row), width=row.width)
        for row in run.training
        if row.width is not None and row.width.unit == "UI" and row.width.value > 1.0
    ]
    yield from few("eye-too-wide", wide)


def unmeasured_ranks(run: Run, board: Board) -> Iterator[Problem]:
    """Ranks that pass with no margin, or none printed, where another rank of the step has some."""
    by_rank: dict[tuple[str, Hashable], dict[int, list[TrainingRow]]] = defaultdict(dict)
    for row in run.training:
        if row.place.rank is not None:
            ranks = by_rank[row.step, row.place.channel]
            ranks.setdefault(row.place.rank, []).append(row)
    bare: dict[int, list[TrainingRow]] = {}
    for ranks in by_rank.values():
        widest = {rank: max(map(_widest, rows)) for rank, rows in ranks.items()}
        for rank, rows in ranks.items():
            passed = all(row.result in (None, Result.PASS) for row in rows)
            if passed and widest[rank] == 0 < max(widest.values()):
                bare.setdefault(rank, []).append(rows[0])
    for rank, firsts in bare.items():
        steps = " and ".join(dict.fromkeys(row.step for row in firsts))
        yield problem("rank-unmeasured", firsts[0].position, rank=rank, steps=steps)


def _widest(row: TrainingRow) -> float:
    """The larger of the printed width and that of the window, in their own units; 0 for none."""
    width = row.width.value if row.width is not None else 0.0
    return max(0.0, width, measure(row.window).width if row.window else 0.0)
