"""How fast the bench page answers, over the loopback only: a paste of some 300 rows from the press
of the button to the last byte of its verdict, and ten benches that paste at one time.

    python tests/benchmarks/bench_page.py [PASTES]

Prints seconds, and the command line on the same dump beside them: on a busy machine the ratio is
what to look at. Ends with status 1 where a paste is lost or an answer is wrong.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
import time
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BENCHES = 10
MOST = 50  # pastes of one bench
ROWS = 300


def main() -> int:
    """Start a page, paste to it alone and together, print what it took."""
    sys.path.insert(0, str(ROOT))
    from tests.support.benchserver import serving

    each = min(int(sys.argv[1]) if len(sys.argv) > 1 else 5, MOST)
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home)
        with serving(folder / "tickets", "--ledger", "none") as address:
            file = folder / "paste.dump"
            file.write_text(dump("U6"))
            line = min(_seconds(lambda: _command(file)) for _ in range(3))
            paste(address, "U6")  # the workers are there
            alone = sorted(_seconds(lambda: paste(address, "U6")) for _ in range(10))
            times, lost = together(address, each)
    print(f"the command line      {line:6.2f} s")
    print(f"one paste             {alone[5]:6.2f} s in the middle, {alone[-1]:.2f} s at the most")
    ninety_fifth = times[int(0.95 * (len(times) - 1))] if times else float("nan")
    print(
        f"{BENCHES} benches at once    {times[len(times) // 2]:6.2f} s in the middle, "
        f"{ninety_fifth:.2f} s for 95 of 100, {times[-1]:.2f} s at the most; "
        f"{len(times)} pastes, {lost} lost"
    )
    return int(lost > 0)


@cache
def dump(site: str) -> str:
    """A dump of some 300 rows of a quince-12 whose package at `site` does not answer."""
    from memdiag.boards import profiles
    from tests.support.benchtext import dump as written

    board = profiles.find("quince-12")
    assert board is not None
    text = written(board, gone=[site])
    rows = [line for line in text.splitlines() if line.startswith("U") and " sweep " in line]
    lanes = [row.replace(" sweep ", " again ") for row in rows]
    body, _, _ = text.rpartition("[end]")
    return body + "\n".join([*lanes, "[end]", ""])


def together(address: str, each: int) -> tuple[list[float], int]:
    """Every bench pastes `each` dumps, one after the other, all benches at one time: how long each
    paste took, shortest first, and how many were lost."""
    times: list[float] = []
    lost: list[str] = []

    def bench(number: int) -> None:
        site = f"U{number % 12 + 1}"
        dump(site)  # written before the clock runs
        for _ in range(each):
            try:
                times.append(_seconds(lambda: paste(address, site)))
            except Exception as wrong:
                lost.append(f"{type(wrong).__name__}: {wrong}")

    benches = [threading.Thread(target=bench, args=(n,)) for n in range(BENCHES)]
    for one in benches:
        one.start()
    for one in benches:
        one.join()
    for each_lost in lost[:3]:
        print(each_lost, file=sys.stderr)
    return sorted(times), len(lost)


def paste(address: str, site: str) -> None:
    """Paste as a browser does: the form, the answer that leads on, the page of the verdict. Raises
    ValueError where that is not of this site."""
    import httpx2

    from tests.support.benchforms import fields

    with httpx2.Client(base_url=address, timeout=60, follow_redirects=True) as client:
        form = fields(client.get("/").text, "/paste") | {"text": dump(site)}
        page = client.post("/paste", data=form).text
    if f'<p class="where">{site}</p>' not in page:
        raise ValueError(f"the verdict is not of {site}")


def _command(file: Path) -> None:
    command = [sys.executable, "-m", "memdiag", "verdict", str(file), "--format", "html"]
    subprocess.run(command, cwd=ROOT, capture_output=True, check=False)


def _seconds(work: object) -> float:
    assert callable(work)
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


if __name__ == "__main__":
    sys.exit(main())
