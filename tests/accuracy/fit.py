"""What figures of judgement simulation would choose; it changes no file.

    python -m tests.accuracy.fit "Eyes: repeatability" "What neighbours show: throughout"

Each figure is tried at a few values around the present one, one figure after the other, on tuning
seeds only (below 100,000). What is scored is the mean log probability of the truth: of the true
cause at each place whose fault shows in the dump, and of `clear` on healthy boards. A normal prior
on the log of a figure, or on the logit of a share, keeps it near common practice: its standard
deviation is `WIDTH`. A value is chosen where it gains more than its standard error.

A figure is read when its module is imported, so every trial runs in processes of its own.
"""

from __future__ import annotations

import argparse
import importlib
import math
import multiprocessing
import sys
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from msgspec import Struct

from memdiag.model.figures import OVERRIDES, TABLES

TUNING = 100_000
"""Seeds from here on are held out."""

WIDTH = 0.5
"""Standard deviation of the prior: two in three figures of common practice are thought right to
within a factor of 1.6, or of the odds where they are shares."""

STEPS = (-1.0, -0.5, 0.5, 1.0)
"""Where a figure is tried, in standard deviations of the prior from the present value."""

LEAST = 1e-4
"""No truth is given less: else a single dump that the model cannot explain outvotes all others."""

Key = tuple[str, str]
"""(title of the table, name of the figure)"""

Told = tuple[float, int]
"""Of one scene: log probabilities of its truths, summed, and how many these are."""

Scorer = Callable[[Mapping[Key, float]], Sequence[Told]]
"""Scores all scenes with these values in place of the figures; always the same scenes."""


class Trial(Struct, frozen=True):
    """A value of a figure, and by how much it is better than the present one: in mean log
    probability of a truth, its standard error over scenes, and the same less the prior's price."""

    key: Key
    before: float
    value: float
    gain: float
    error: float
    net: float

    @property
    def pays(self) -> bool:
        return self.net > 0 and self.gain > self.error


def scaled(value: float) -> float:
    """A figure on the scale of its prior: the logit of a share, the log of anything else, by its
    size. Raises ValueError for nothing."""
    size = abs(value)
    if not size:
        raise ValueError("a figure of nothing has no scale")
    return math.log(size / (1 - size)) if 0 < value < 1 else math.log(size)


def unscaled(scale: float, like: float) -> float:
    """The figure at that place of the scale, of the kind and sign of `like`."""
    if 0 < like < 1:
        return 1 / (1 + math.exp(-scale))
    return math.copysign(math.exp(scale), like)


def price(value: float, practice: float) -> float:
    """What the prior takes from the log probability of all truths together."""
    return 0.5 * ((scaled(value) - scaled(practice)) / WIDTH) ** 2


def fitted(
    practice: Mapping[Key, float], scorer: Scorer, rounds: int = 1
) -> tuple[dict[Key, float], list[Trial]]:
    """The values that would be chosen, coordinate by coordinate, and all that was tried."""
    now = dict(practice)
    trials: list[Trial] = []
    scores = np.array(scorer({}), float)
    for _ in range(rounds):
        for key in practice:
            found = []
            for step in STEPS:
                value = unscaled(scaled(now[key]) + step * WIDTH, practice[key])
                there = np.array(scorer(_changed(practice, {**now, key: value})), float)
                more = price(value, practice[key]) - price(now[key], practice[key])
                found.append((_compared(key, now[key], value, scores, there, more), there))
            trials += [trial for trial, _ in found]
            best, there = max(found, key=lambda pair: pair[0].net)
            if best.pays:
                now[key], scores = best.value, there
    return now, trials


def _changed(practice: Mapping[Key, float], now: Mapping[Key, float]) -> dict[Key, float]:
    return {key: value for key, value in now.items() if value != practice[key]}


def _compared(
    key: Key,
    before: float,
    value: float,
    here: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    there: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    more: float,
) -> Trial:
    """A ratio of sums over scenes, which are drawn one by one though a scene has several truths."""
    truths = max(here[:, 1].sum(), 1.0)
    each = there[:, 0] - here[:, 0]
    gain = each.sum() / truths
    spread = each - gain * here[:, 1]
    error = math.sqrt(float((spread**2).sum()) * len(each) / max(len(each) - 1, 1)) / truths
    return Trial(key, before, value, float(gain), error, float(gain - more / truths))


# ---- scenes -----------------------------------------------------------------------------------


def simulated(seeds: Sequence[int], processes: int = 1) -> Scorer:
    """A scorer of the simulated boards of these seeds. Raises ValueError for held-out ones."""
    if any(not 0 <= seed < TUNING for seed in seeds):
        raise ValueError(f"a fit looks at tuning seeds only: below {TUNING:,}")

    def scorer(values: Mapping[Key, float]) -> Sequence[Told]:
        with _fresh(values, processes) as pool:
            return list(pool.map(told, seeds, chunksize=max(1, len(seeds) // (8 * processes))))

    return scorer


def _fresh(values: Mapping[Key, float], processes: int = 1) -> ProcessPoolExecutor:
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(processes, context, _put, (dict(values),))


def _put(values: Mapping[Key, float]) -> None:
    if TABLES:
        raise RuntimeError("the figures have been read already: no other value would be")
    OVERRIDES.update(values)


def present(keys: Sequence[Key]) -> dict[Key, float]:
    """The present values. Raises KeyError for a figure that there is none of."""
    with _fresh({}) as pool:
        every = pool.submit(_values).result()
    return {key: every[key] for key in keys}


def _values() -> dict[Key, float]:
    importlib.import_module("memdiag.diagnosis.judge")
    return {(t.title, f.name): f.value for t in TABLES.values() for f in t.figures.values()}


def told(seed: int) -> Told:
    """How probable the analyser holds what is true of a scene."""
    from memdiag.boards.inferred import inferred
    from memdiag.diagnosis import hypotheses, search
    from memdiag.diagnosis.beliefs import Beliefs
    from memdiag.diagnosis.settings import Settings
    from memdiag.evidence.build import gather
    from memdiag.evidence.measurements import measure
    from memdiag.reading.load import Unreadable, load
    from tests.accuracy.matching import matches
    from tests.simulator import scenes

    scene = scenes.draw(seed)
    truths = [t for t in scene.truth if t.visible and t.located and not t.expected]
    if scene.truth and not truths:
        return 0.0, 0
    try:
        run = load(scene.text, board=scene.board if scene.known else None)[0]
    except Unreadable:
        return 0.0, 0  # the same whatever the figures are
    board = scene.board if scene.known else inferred(run)
    evidence = gather(measure(run, board))
    found = hypotheses.build(run, board, evidence, Settings())
    beliefs = Beliefs(found, search.infer(found.model))
    if not truths:
        return math.log(max(beliefs.clear, LEAST)), 1
    total = 0.0
    for truth in truths:
        right = [
            number
            for number, c in enumerate(found.candidates)
            if c.cause.value in truth.causes and matches(c.place, truth, scene.board)
        ]
        total += math.log(max(beliefs.any_of(right), LEAST))
    return total, len(truths)


# ---- the table --------------------------------------------------------------------------------


def table(chosen: Mapping[Key, float], trials: Sequence[Trial]) -> str:
    """What was tried, in the order in which it was, and what would be chosen."""
    lines = [
        "| figure | present | tried | gain | standard error | less the prior | |",
        "|" + "---|" * 7,
    ]
    for t in trials:
        mark = "chosen" if t.pays and chosen[t.key] == t.value else ""
        lines.append(
            f"| {': '.join(t.key)} | {t.before:.4g} | {t.value:.4g} | {t.gain:+.4f} "
            f"| {t.error:.4f} | {t.net:+.4f} | {mark} |"
        )
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument(
        "figures", nargs="+", metavar="TABLE:NAME", help="as docs/figures.md has them"
    )
    parser.add_argument("--first", type=int, default=3000, help="first seed (default 3000)")
    parser.add_argument("--scenes", type=int, default=300, help="how many (default 300)")
    parser.add_argument("--rounds", type=int, default=1, help="times through the figures")
    parser.add_argument("--processes", type=int, default=1)
    args = parser.parse_args(arguments)
    keys = [tuple(part.strip() for part in text.split(":", 1)) for text in args.figures]
    try:
        scorer = simulated(range(args.first, args.first + args.scenes), args.processes)
        practice = present(keys)
    except (ValueError, KeyError) as wrong:
        raise SystemExit(f"cannot fit: {wrong}") from None
    print(table(*fitted(practice, scorer, args.rounds)))
    print(f"{args.scenes} scenes from seed {args.first}; nothing was changed", file=sys.stderr)


if __name__ == "__main__":
    main()
