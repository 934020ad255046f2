"""How right the verdicts are, measured on simulated boards.

    python -m tests.accuracy                  measure on held-out seeds, write docs/accuracy.md
    python -m tests.accuracy --tune           the tuning seeds, to the terminal, failures listed
    python -m tests.accuracy --show SEED      one scene: its dump, its truth, its verdict
    python -m tests.accuracy --release        only what is released; its section of the page
    python -m tests.accuracy --headroom       only what the dumps hold that the analyser misses

Tuning seeds lie below 100,000; held-out seeds start at 1,000,000 and are never looked at one by
one while the analyser is being worked on. The headroom meter learns from tuning seeds from 20,000
on, and keeps what it learns from in a temporary folder.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.accuracy import headroom_page, release, release_page
from tests.accuracy.page import figures, page
from tests.accuracy.parallel import spread
from tests.accuracy.scoring import Score, judge_scene, score
from tests.accuracy.tables import REST, put
from tests.simulator import scenes

ROOT = Path(__file__).resolve().parents[2]

RELEASES = 250
"""Boards for the section on release: more than 2,000 damaged dumps."""


def measure(seeds: Sequence[int], processes: int = 2, **filters: object) -> list[Score]:
    """Scores of the scenes of these seeds, in order."""
    return spread(_one, [(seed, filters) for seed in seeds], processes)


def _one(job: tuple[int, dict[str, object]]) -> Score:
    seed, filters = job
    return score(scenes.draw(seed, **filters))  # type: ignore[arg-type]


def show(seed: int, filters: dict[str, object]) -> None:
    scene = scenes.draw(seed, **filters)  # type: ignore[arg-type]
    print(scene.text)
    print("truth:")
    for truth in scene.truth or ("healthy",):
        print(f"  {truth}")
    print(f"spilled: {' '.join(sorted(scene.spilled)) or '-'}")
    run, verdict = judge_scene(scene)
    print(f"rig: {scene.rig}")
    for p in run.problems:
        print(f"problem: {p.severity} {p.sentence()}")
    print(f"verdict: {verdict.summary.text}")
    for f in verdict.findings:
        others = ", ".join(f"{c} {p:.3f}" for c, p in f.alternatives if p > 0.005)
        why = f" because of {f.because_of}" if f.because_of else ""
        print(
            f"  {f.place}: {f.cause} {f.probability:.3f} -> {f.action}{why} (else {others or '-'})"
        )
        print(f"      {f.reason}")
    print(score(scene).line)


def tell_release(args: argparse.Namespace, seeds: range) -> None:
    """The section on release, to the terminal or onto the page."""
    started = time.perf_counter()
    tried = release.measure(seeds, args.processes)
    took = time.perf_counter() - started
    if args.tune:
        print(release_page.figures(tried))
    else:
        made = release_page.section(tried, seeds[0], seeds[-1])
        onto(args.output, release_page.TITLE, made, release_page.BEFORE)
    print(f"{len(tried)} dumps and pairs in {took:.0f} s", file=sys.stderr)


def tell_headroom(
    args: argparse.Namespace, seeds: range, scores: Sequence[Score], filters: dict[str, object]
) -> None:
    """The section on headroom, to the terminal or onto the page."""
    from tests.accuracy.headroom import answers, examples, learning

    learnt = examples.TRAINING[: args.training]
    if set(learnt) & set(seeds):
        raise SystemExit(f"seeds {learnt[0]} to {learnt[-1]} are learnt from: measure on others")
    known = learning.learnt(examples.gathered(learnt, args.processes))
    answered = answers.measure(seeds, known, args.processes, **filters)
    pairs = headroom_page.paired(scores, answered)
    if args.tune:
        print(headroom_page.figures(pairs))
    else:
        onto(args.output, headroom_page.TITLE, headroom_page.section(pairs, len(learnt)))


def onto(path: Path, title: str, made: str, before: str = REST) -> None:
    """A section put onto the page."""
    page = path.read_text(encoding="utf-8")
    path.write_text(put(page, title, made, before), encoding="utf-8")


def options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--tune", action="store_true", help="tuning seeds, to the terminal")
    parser.add_argument("--show", type=int, metavar="SEED", help="one scene in full")
    parser.add_argument("--scenes", type=int, default=0, help="how many (default 3000; tuning 400)")
    parser.add_argument("--release", action="store_true", help="only who is released (default 250)")
    parser.add_argument("--headroom", action="store_true", help="only the analyser beside a meter")
    parser.add_argument(
        "--training", type=int, default=6000, help="scenes the meter learns from (default 6000)"
    )
    parser.add_argument("--first", type=int, default=0, help="first seed within the range")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--family", help="only boards of this memory family")
    parser.add_argument("--kind", help="only this fault kind (or several, a+b)")
    parser.add_argument("--faults", type=int, help="exactly so many faults")
    parser.add_argument("--clean", action="store_true", help="no dirt on the dumps")
    parser.add_argument("--quiet", action="store_true", help="with --tune: no list of failures")
    parser.add_argument("-o", "--output", type=Path, default=ROOT / "docs" / "accuracy.md")
    return parser.parse_args()


def filtered(args: argparse.Namespace) -> dict[str, object]:
    """What of a scene is not drawn but given."""
    filters: dict[str, object] = {}
    if args.family:
        filters["family"] = args.family
    if args.kind:
        filters["kind"] = args.kind.split("+")
    if args.faults is not None:
        filters["faults"] = args.faults
    if args.clean:
        filters["dirt"] = False
    return filters


def main() -> None:
    args = options()
    filters = filtered(args)
    if args.show is not None:
        show(args.show, filters)
        return
    first = args.first + (0 if args.tune else scenes.EVALUATION)
    if args.release:
        tell_release(args, range(first, first + (args.scenes or RELEASES)))
        return
    count = args.scenes or (400 if args.tune else 3000)
    started = time.perf_counter()
    seeds = range(first, first + count)
    scores = measure(seeds, args.processes, **filters)
    took = time.perf_counter() - started
    if args.headroom:
        tell_headroom(args, seeds, scores, filters)
    elif not args.tune:
        args.output.write_text(page(scores, first, filters), encoding="utf-8")
        if not filters:
            tell_headroom(args, seeds, scores, filters)
            tell_release(args, range(first, first + RELEASES))
        print(f"{args.output}: {count} scenes in {took:.0f} s", file=sys.stderr)
    else:
        tell_figures(args, scores, took)


def tell_figures(args: argparse.Namespace, scores: Sequence[Score], took: float) -> None:
    """All figures to the terminal, with the scenes that failed."""
    if not args.quiet:
        for one in scores:
            if one.failed:
                print(one.line)
    print(figures(scores))
    failed = sum(s.failed for s in scores)
    print(f"{len(scores)} scenes in {took:.0f} s; {failed} failed")


if __name__ == "__main__":
    main()
