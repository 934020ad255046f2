"""The long run, by hand: `python -m tests.attack --minutes 30`. Prints a table of what was tried.

First each bomb by itself, as a file and through a pipe, then mutated pastes until the time is up.
What a mutated paste breaks is written to a temporary folder and named; it belongs in
`tests/fuzz/finds`.
"""

from __future__ import annotations

import argparse
import random
import signal
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.attack.bombs import PACKED, PLAIN, Bomb
from tests.attack.limited import Ended, bound, run
from tests.attack.mutator import pastes
from tests.attack.one import one

MOST_MIB = 3000
MOST_SECONDS = 120
MOST_PASTE_SECONDS = 30


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.attack", description=__doc__)
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--command", default="verdict", help="what the bombs are given to")
    parser.add_argument("--only", default="", help="bombs with this in their name")
    asked = parser.parse_args()
    until = time.monotonic() + 60 * asked.minutes
    with tempfile.TemporaryDirectory() as folder:
        for bomb in (*PLAIN, *PACKED):
            if asked.only in bomb.name and time.monotonic() < until:
                _throw(bomb, asked.command, Path(folder))
    if time.monotonic() < until:
        _mutate(random.Random(asked.seed), until, asked.seed)


def _throw(bomb: Bomb, command: str, folder: Path) -> None:
    path = folder / "bomb.dump"
    path.write_bytes(bomb.make())
    limits = {"most_mib": MOST_MIB, "seconds": MOST_SECONDS}
    _row(bomb.name, path, "file", run([command, str(path)], **limits))
    _row(bomb.name, path, "pipe", run([command], path, **limits))


def _row(name: str, path: Path, way: str, ended: Ended) -> None:
    told = ended.err.strip().splitlines()
    outcome = "time is up" if ended.status is None else f"status {ended.status}"
    sound = "" if ended.is_clean else "  BROKEN: " + (told[-1][:80] if told else "")
    size = path.stat().st_size
    print(
        f"{name:36} {way} {size:>10,} bytes {ended.seconds:6.1f} s {ended.mib:6.0f} MiB  "
        f"{outcome}{sound}",
        flush=True,
    )


def _mutate(rng: random.Random, until: float, seed: int) -> None:
    """Mutated pastes until the time is up, in this process and within a bound of memory."""
    bound(MOST_MIB)
    signal.signal(signal.SIGALRM, _time_is_up)
    kept = Path(tempfile.mkdtemp(prefix="attack-"))
    came: Counter[str] = Counter()
    slowest = 0.0
    for text in pastes(rng):
        began = time.monotonic()
        if began > until:
            break
        signal.alarm(MOST_PASTE_SECONDS)
        try:
            outcome = one(text)
        except Exception as wrong:
            outcome = f"BROKEN {type(wrong).__name__}: {str(wrong)[:60]}"
            (kept / f"{sum(came.values())}.bin").write_bytes(text)
        finally:
            signal.alarm(0)
        came[outcome] += 1
        slowest = max(slowest, time.monotonic() - began)
    print(f"\nmutated pastes (seed {seed}), the slowest {slowest:.1f} s; broken ones in {kept}")
    for outcome, n in came.most_common():
        print(f"{n:>8,}  {outcome}")


def _time_is_up(_number: int, _frame: object) -> None:
    raise TimeoutError(f"more than {MOST_PASTE_SECONDS} s")


if __name__ == "__main__":
    main()
