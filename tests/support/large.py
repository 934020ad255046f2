"""Large boards, each package of which says one thing: what the memory of a judgement is held to.

Run as a script it judges one in its own process, so that its peak memory is its own.
"""

from __future__ import annotations

import json
import math
import resource
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def board_text(sites: int) -> str:
    """A profile: two channels of two lanes a site, partitions of two, two memory rails."""
    out = ['board = "grown"', 'memory = "gddr6"']
    for rail in ("VDD_A", "VDD_B"):
        out += ["[[rail]]", f'name = "{rail}"', "volts = 1.35", 'feeds = "packages"']
    side = math.ceil(math.sqrt(sites))
    for i in range(sites):
        rail = "VDD_A" if i < sites // 2 else "VDD_B"
        links = ", ".join(f"{{channel = {2 * i + c}, lanes = [0, 1], rank = 0}}" for c in (0, 1))
        out += [
            "[[site]]",
            f'ref = "U{i + 1}"',
            f"x = {18 * (i % side)}",
            f"y = {18 * (i // side)}",
            'side = "top"',
            "size = [14, 12]",
            f'rails = ["{rail}"]',
            f'partition = "P{i // 2}"',
            f"links = [{links}]",
        ]
    return "\n".join([*out, ""])


def one_row_each(sites: int) -> str:
    """A dump with one training row a package; that of U3 fails."""
    rows = [
        f"U{i + 1} {2 * i} 0 read {'fail 0.00UI' if i == 2 else 'pass 0.45UI'}"
        for i in range(sites)
    ]
    head = ["bench-dump 1", "[run]", "board  grown", "memory  gddr6", "rate  14.0 Gbit/s"]
    return "\n".join([*head, "[training]", "site ch lane step result width", *rows, "[end]", ""])


def judged_apart(sites: int) -> dict[str, float]:
    """What the judgement of such a dump took, in a process of its own: the peak resident memory
    in MB (of interpreter and libraries too), what was left out, and how often U3 is named."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.support.large", str(sites)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def _judged(sites: int) -> dict[str, float]:
    from memdiag.boards import profiles
    from memdiag.diagnosis.judge import judge
    from memdiag.reading.load import load

    board, problems = profiles.examine(board_text(sites))
    assert board is not None, problems
    (run,) = load(one_row_each(sites), board=board)
    verdict = judge(run, board)
    peak = _peak_mb()
    named = sum(f.place.site == "U3" and f.cause.value != "spillover" for f in verdict.findings)
    clear = verdict.summary.cause.value == "clear"
    return {"peak_mb": peak, "left_out": verdict.left_out, "named": named, "clear": clear}


def _peak_mb() -> float:
    """The most this process has held. The kernel's figure for the program itself, where it has one:
    that of `resource` counts what the process was forked from."""
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # Linux counts in kilobytes


if __name__ == "__main__":
    print(json.dumps(_judged(int(sys.argv[1]))))
