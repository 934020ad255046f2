"""`memdiag batch` on one core, on two, and on a Dask cluster of two workers on this machine.

    python tests/benchmarks/bench_depot.py [--dumps 600] [--runs 3]

The dumps are simulated ones of three boards, all different. What is compared runs in turn, and the
shortest wall-clock time of each counts, start-up included: one worker held to one core by the
scheduler against two on two (aim: at least 1.9); two workers of a cluster that is up already
against two plain processes (aim: at least 0.85 of their dumps a second). Memory is the most that
each worker held, as the kernel tells it. What 1e5 and 1e7 dumps a day need follows from the seconds
of a core that a dump takes.

On a machine that others use, the clock tells little. Two figures hold there as well: the share of
the time in which the workers judged (the rest they waited for the batch, or started), from which
follows how much faster two are on cores of their own; and the seconds of a core that the batch's
own process used, which more workers cannot make shorter.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

DAY = 86_400.0


def fill(folder: Path, dumps: int, first: int = 70_000) -> int:
    """Write that many simulated dumps; how many bytes they are."""
    from memdiag.boards import profiles
    from tests.simulator import scenes

    boards = [profiles.find(name) for name in ("quince-12", "quince-8", "quince-2")]
    size = 0
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(dumps):
        text = scenes.draw(first + number, board=boards[number % 3], known=True).text
        raw = text.encode("utf-8", "surrogatepass") if isinstance(text, str) else text
        (folder / f"{number:06d}.dump").write_bytes(raw)
        size += len(raw)
    return size


def children(process: int) -> list[int]:
    """The processes that it has started."""
    found = []
    for task in Path(f"/proc/{process}/task").glob("*/children"):
        with suppress(OSError):
            found += [int(child) for child in task.read_text().split()]
    return found


def peak(process: int) -> float:
    """The most memory it held so far, MB (proc(5), VmHWM); 0 where it is gone."""
    with suppress(OSError, IndexError):
        status = Path(f"/proc/{process}/status").read_text()
        return int(status.split("VmHWM:")[1].split()[0]) / 1000
    return 0.0


def busy(process: int) -> float:
    """Seconds of a core that it has used (proc(5), stat: fields 14 and 15); 0 where it is gone."""
    with suppress(OSError, IndexError):
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return 0.0


class Run:
    """A batch as a process of its own, watched: seconds, and of each worker and of itself the peak
    of memory (MB) and the seconds of a core that it used."""

    def __init__(self, folder: Path, out: Path, cores: set[int], *more: str) -> None:
        words = [sys.executable, "-m", "memdiag", "batch", str(folder), "-o", str(out), *more]
        began = time.perf_counter()
        mine = os.sched_getaffinity(0)
        os.sched_setaffinity(0, cores)  # what is started from here is held to them too
        process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.DEVNULL)
        os.sched_setaffinity(0, mine)
        self.workers: dict[int, float] = {}
        self.worked: dict[int, float] = {}
        self.own = self.own_work = 0.0
        watching = threading.Thread(target=self._watch, args=(process,), daemon=True)
        watching.start()
        if process.wait() not in (0, 1):
            raise SystemExit(f"memdiag ended with {process.returncode}")
        self.seconds = time.perf_counter() - began
        self.judged = json.loads((out / "summary.json").read_text())["seconds"]
        watching.join()

    def _watch(self, process: subprocess.Popen[bytes]) -> None:
        while process.poll() is None:
            self.own = max(self.own, peak(process.pid))
            self.own_work = max(self.own_work, busy(process.pid))
            for child in children(process.pid):
                self.worked[child] = max(self.worked.get(child, 0.0), busy(child))
                self.workers[child] = max(self.workers.get(child, 0.0), peak(child))
            time.sleep(0.2)


@contextmanager
def cluster() -> Iterator[Any]:
    import logging

    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=logging.CRITICAL
    ) as made:
        yield made


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--dumps", type=int, default=600)
    parser.add_argument("--runs", type=int, default=3)
    args = parser.parse_args()
    cores = sorted(os.sched_getaffinity(0))[:2]
    if len(cores) < 2:
        raise SystemExit("this needs two cores")
    runs: dict[str, list[Run]] = {"one core": [], "two cores": [], "cluster": []}
    with tempfile.TemporaryDirectory() as name, cluster() as there:
        folder = Path(name)
        size = fill(folder / "in", args.dumps)
        for number in range(args.runs):
            for what, held, more in (
                ("one core", set(cores[:1]), ("--workers", "1")),
                ("two cores", set(cores), ("--workers", "2")),
                ("cluster", set(cores), ("--cluster", there.scheduler_address)),
            ):
                out = folder / f"{what} {number}"
                runs[what].append(Run(folder / "in", out, held, *more))
    best = {what: min(run.seconds for run in found) for what, found in runs.items()}
    print(f"{args.dumps} dumps, {size / 1e6:.1f} MB")
    for what, seconds in best.items():
        print(f"{what:9}  {seconds:7.1f} s  {args.dumps / seconds:6.1f} dumps a second")
    print(f"two cores are {best['one core'] / best['two cores']:.2f} times as fast (aim: 1.9)")
    print(f"the cluster gives {best['two cores'] / best['cluster']:.2f} of that (aim: 0.85)")
    hands = {"one core": 1, "two cores": 2, "cluster": 2}
    shares = {
        what: max(run.judged / run.seconds / hands[what] for run in found)
        for what, found in runs.items()
    }
    print(
        "workers judged", ", ".join(f"{s:.1%} of the time ({what})" for what, s in shares.items())
    )
    two = 2 * shares["two cores"] / shares["one core"]
    print(f"from which two are {two:.2f} times as fast on cores of their own")
    print(f"and the cluster gives {shares['cluster'] / shares['two cores']:.2f} of that")
    plain = runs["two cores"][-1]
    print(f"memory: {max(plain.workers.values()):.0f} MB a worker, {plain.own:.0f} MB beside them")
    work = sum(plain.worked.values())
    print(
        f"work: {work / args.dumps:.3f} s of a core a dump, "
        f"{plain.own_work / args.dumps:.4f} s beside it, which nobody shares"
    )
    for dumps in (1e5, 1e7):
        print(f"{dumps:.0e} dumps a day: {dumps / DAY * work / args.dumps:.1f} cores all day")


if __name__ == "__main__":
    main()
