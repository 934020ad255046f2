"""How long a technician waits for a verdict, as a ratio to a named reference in the same run.

    python tests/benchmarks/bench_startup.py [--runs 15]

Whole-process time of `memdiag verdict` on a 12-site sample against
`python -c "import numpy, lark, click"`, the libraries it stands on. Both run in turn; the figure
is the ratio of the shortest times, in wall clock and in processor time. Byte code and the compiled
layout are made beforehand, as an installation and the first use make them; `--cold` leaves the
layout's cache empty. The aim is at most 1.25 for text and JSON, 1.5 for HTML.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
VERDICT = ("-m", "memdiag", "verdict", "samples/missing-package.dump")
OTHERS = {
    "verdict, JSON": (*VERDICT, "--format", "json"),
    "verdict, HTML": (*VERDICT, "--format", "html"),
    "verdict, thousands of errors": ("-m", "memdiag", "verdict", "samples/weak-package.dump"),
    "read": ("-m", "memdiag", "read", "samples/missing-package.dump"),
    "soak": ("-m", "memdiag", "soak", "--below", "1e-12"),
    "--version": ("-m", "memdiag", "--version"),
}
REFERENCE = ("-c", "import numpy, lark, click")


def once(words: tuple[str, ...], env: dict[str, str]) -> tuple[float, float]:
    """Wall-clock and processor seconds of one process."""
    before, started = os.times(), time.perf_counter()
    done = subprocess.run(
        [sys.executable, *words],
        cwd=ROOT,
        env=env,
        check=False,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    wall, after = time.perf_counter() - started, os.times()
    assert done.returncode in (0, 1), done.stderr.decode()
    cpu = after.children_user + after.children_system
    return wall, cpu - before.children_user - before.children_system


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=15)
    parser.add_argument("--cold", action="store_true", help="compile the layout every time")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        env = os.environ | {
            "PYTHONPATH": str(ROOT),
            "PYTHONPYCACHEPREFIX": f"{folder}/bytecode",
            "XDG_CACHE_HOME": "/dev/null" if args.cold else f"{folder}/cache",
        }
        env.pop("PYTHONDONTWRITEBYTECODE", None)
        jobs = {"verdict": VERDICT, **OTHERS}
        for words in (REFERENCE, *jobs.values()):
            once(words, env)
        taken: dict[str, list[tuple[float, float]]] = {name: [] for name in ("reference", *jobs)}
        for run in range(args.runs):
            taken["reference"].append(once(REFERENCE, env))
            taken["verdict"].append(once(VERDICT, env))
            if run % 3 == 0:
                for name, words in OTHERS.items():
                    taken[name].append(once(words, env))
    best = {name: tuple(map(min, zip(*times, strict=True))) for name, times in taken.items()}
    print(f"reference: {REFERENCE[1]}: {best['reference'][0]:.3f} s")
    for name, (wall, cpu) in best.items():
        if name != "reference":
            print(
                f"{name:<30} {wall:.3f} s, {wall / best['reference'][0]:.2f} times the reference"
                f" (processor time {cpu / best['reference'][1]:.2f})"
            )


if __name__ == "__main__":
    main()
