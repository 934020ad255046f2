"""A folder of ordinary dumps through `memdiag read` on two cores, as a ratio to one core.

    python tests/benchmarks/bench_batch.py [--dumps 2000] [--runs 3]

The dumps are simulated ones, all different, dirt included. Reference: the very same command on
the very same folder, held to one core by the scheduler. Both run in turn, the figure is the ratio
of the shortest wall-clock times, start-up included. The aim is at least 1.8.
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
sys.path.insert(0, str(ROOT))


def fill(folder: Path, dumps: int) -> int:
    """Write that many simulated dumps; how many bytes they are."""
    from tests.simulator import scenes

    size = 0
    for seed in range(dumps):
        data = scenes.draw(90_000 + seed).text
        raw = data.encode() if isinstance(data, str) else data
        (folder / f"{seed:05d}.dump").write_bytes(raw)
        size += len(raw)
    return size


def once(folder: Path, cores: set[int]) -> float:
    """Wall-clock seconds of one run held to those cores."""
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "memdiag", "read", str(folder)],
        cwd=ROOT,
        check=False,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        preexec_fn=lambda: os.sched_setaffinity(0, cores),
    )
    if done.returncode not in (0, 1, 2):
        raise SystemExit(f"memdiag ended with {done.returncode}")
    return time.perf_counter() - started


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--dumps", type=int, default=2000)
    parser.add_argument("--runs", type=int, default=3)
    args = parser.parse_args()
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) < 2:
        raise SystemExit("this needs two cores")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        size = fill(folder, args.dumps)
        times: dict[str, list[float]] = {"one core": [], "two cores": []}
        for _ in range(args.runs):
            times["one core"].append(once(folder, set(cores[:1])))
            times["two cores"].append(once(folder, set(cores[:2])))
    one, two = min(times["one core"]), min(times["two cores"])
    print(f"{args.dumps} dumps, {size / 1e6:.1f} MB: one core {one:.1f} s, two cores {two:.1f} s")
    print(f"two cores are {one / two:.2f} times as fast (aim: at least 1.8)")


if __name__ == "__main__":
    main()
