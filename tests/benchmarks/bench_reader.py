"""How fast large dumps are read, as ratios to named references measured in the same run.

    python tests/benchmarks/bench_reader.py                # 200 MB, a few minutes
    python tests/benchmarks/bench_reader.py --all          # also 2 GB and 1e4 .. 1e7 rows
    python tests/benchmarks/bench_reader.py --mb 20        # a quick look

References: Lark's LALR parser called once a row, with the terminals turned to numbers; and
`pyarrow.csv` on the bare rows (single blanks, no other lines), its types inferred, held to the same
number of cores. Each figure is the best of three, taken in turn, so that a busy machine hurts all
alike. Aims: at least half as fast as `pyarrow.csv`; a verdict of a million rows in 1.5 times
what reading them takes; rows that contradict themselves no slower than others; 2 GB in less than
700 MB; the same time a row from 1e4 to 1e7.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

HEAD = (
    "bench-dump 1\n[run]\nid bench\nboard quince-12\nmemory gddr6\n"
    "[errors]\nsite ch lane address wrote read edc pass\n"
)
COLUMNS = ["site", "ch", "lane", "address", "wrote", "read", "edc", "pass"]

ROW_GRAMMAR = r"""
row: SITE CH LANE ADDRESS WROTE READ EDC PASS
SITE: /U[0-9]+/
CH: /[0-9]+/
LANE: /[0-9]+/
ADDRESS: /0x[0-9a-f]+/
WROTE: /0x[0-9a-f]+/
READ: /0x[0-9a-f]+/
EDC: "ok" | "bad"
PASS: /[0-9]+/
%ignore " "
"""


def write_rows(path: Path, mb: float, *, rows: int = 0, padded: bool = False) -> int:
    """A dump of about `mb` megabytes (or of so many rows); the number of its rows. Half of the
    errors sit in a few weak cells, as in a real stress run, the others are spread."""
    import numpy as np

    rng = np.random.default_rng(7)
    written, total = 0, 0
    target = mb * 1e6
    with path.open("w") as file:
        file.write(HEAD)
        while total < rows if rows else written < target:
            n = min(rows - total, 200_000) if rows else 200_000
            weak = rng.integers(0, 4096, n) << 18
            spread = rng.integers(0, 1 << 34, n)
            address = np.where(rng.random(n) < 0.5, weak, spread)
            wrote = rng.integers(0, 1 << 32, n)
            read = wrote ^ (1 << rng.integers(0, 32, n))
            channel = rng.integers(0, 24, n)
            width = (3, 2) if padded else (0, 0)
            lines = [
                f"U{c // 2 + 1:<{width[0]}} {c:<{width[1]}} {i & 1} 0x{a:010x} 0x{w:08x} 0x{r:08x} "
                f"{'bad' if i % 3 else 'ok'} {(total + i) // 100_000}\n"
                for i, (a, w, r, c) in enumerate(
                    zip(
                        address.tolist(),
                        wrote.tolist(),
                        read.tolist(),
                        channel.tolist(),
                        strict=True,
                    )
                )
            ]
            text = "".join(lines)
            file.write(text)
            written += len(text)
            total += n
        file.write(f"[end] {total}\n")
    return total


def best(jobs: dict[str, Callable[[], object]], rounds: int = 3) -> dict[str, float]:
    """The best time of each job, all of them in turn."""
    found = dict.fromkeys(jobs, float("inf"))
    for _ in range(rounds):
        for name, job in jobs.items():
            started = time.perf_counter()
            job()
            found[name] = min(found[name], time.perf_counter() - started)
    return found


def lark_rows(rows: list[str]) -> None:
    """The reference: every row by itself through a LALR parser made for it."""
    from lark import Lark

    parser = _PARSER.setdefault("row", Lark(ROW_GRAMMAR, start="row", parser="lalr"))
    for row in rows:
        site, channel, lane, address, wrote, read, edc, pass_ = parser.parse(row).children
        _ = (
            str(site),
            int(channel),
            int(lane),
            int(address, 16),
            int(wrote, 16),
            int(read, 16),
            edc == "bad",
            int(pass_),
        )


_PARSER: dict[str, object] = {}


def arrow_rows(data: bytes) -> None:
    """The reference: the bare rows through pyarrow's CSV reader."""
    import pyarrow as pa
    import pyarrow.csv as pacsv

    pacsv.read_csv(
        pa.BufferReader(data),
        read_options=pacsv.ReadOptions(column_names=COLUMNS),
        parse_options=pacsv.ParseOptions(delimiter=" ", quote_char=False),
    )


def on_one_core(job: Callable[[], object]) -> None:
    """Do it on one core, Arrow's threads included."""
    import pyarrow as pa

    cores, threads = os.sched_getaffinity(0), pa.cpu_count()
    os.sched_setaffinity(0, set(sorted(cores)[:1]))
    pa.set_cpu_count(1)
    try:
        job()
    finally:
        os.sched_setaffinity(0, cores)
        pa.set_cpu_count(threads)


def speed(folder: Path, mb: float) -> None:
    from memdiag.reading import load

    for padded in (False, True):
        path = folder / f"rows-{padded}.txt"
        rows = write_rows(path, mb, padded=padded)
        data = path.read_bytes()
        size = len(data)
        bare = data[len(HEAD) : data.rindex(b"[end]")]
        while b"  " in bare:
            bare = bare.replace(b"  ", b" ")
        sample = bare[:1_000_000].decode().splitlines()[:10_000]
        times = best(
            {
                "memdiag": lambda path=path: load.load(path),
                "lark": lambda sample=sample: lark_rows(sample),
                "arrow": lambda bare=bare: arrow_rows(bare),
                "memdiag, one core": lambda path=path: on_one_core(lambda: load.load(path)),
                "arrow, one core": lambda bare=bare: on_one_core(lambda: arrow_rows(bare)),
            }
        )
        ours, lark = rows / times["memdiag"], len(sample) / times["lark"]
        arrow = len(bare) / times["arrow"]
        print(
            f"{size / 1e6:.0f} MB, {rows:,} rows, {'padded columns' if padded else 'single blanks'}"
        )
        print(
            f"  memdiag.load           {size / times['memdiag'] / 1e6:8.1f} MB/s"
            f"  {ours:12,.0f} rows/s"
        )
        print(
            f"  Lark LALR row by row   {size / rows * lark / 1e6:8.1f} MB/s  {lark:12,.0f} rows/s"
        )
        print(f"  pyarrow.csv, bare rows {arrow / 1e6:8.1f} MB/s")
        print(f"  memdiag : Lark  = {ours / lark:.1f} : 1")
        for cores in ("", ", one core"):
            ratio = times["arrow" + cores] / times["memdiag" + cores] * size / len(bare)
            print(f"  memdiag : Arrow{cores} = {ratio:.2f} : 1")
        if not padded:
            report(path, size, times["memdiag"])
        path.unlink()


def report(path: Path, size: int, reading: float) -> None:
    """Reading with the table and the evidence after it."""
    from memdiag.boards import profiles
    from memdiag.evidence import build, table
    from memdiag.evidence.measurements import measure
    from memdiag.reading import load

    started = time.perf_counter()
    (run,) = load.load(path)
    board, _ = profiles.for_run(run)
    measured = measure(run, board)
    table.rows(measured)
    build.gather(measured)
    whole = time.perf_counter() - started
    print(
        f"  with table and evidence {size / whole / 1e6:7.1f} MB/s"
        f"  ({whole / reading:.2f} x the time)"
    )


def verdicts(folder: Path) -> None:
    """Whole processes: the verdict of a million error rows against reading them; and rows of which
    half contradict themselves against as many that do not."""
    plain, contrary = folder / "million.txt", folder / "contrary.txt"
    write_rows(plain, 0, rows=1_000_000)
    contrary.write_text(HEAD + contrary_rows(plain) + "[end]\n")
    read = "import pathlib, sys, memdiag; memdiag.load(pathlib.Path(sys.argv[1]))"

    def process(*words: str, status: int = 0) -> Callable[[], object]:
        def run() -> None:
            done = subprocess.run(
                [sys.executable, *words],
                check=False,
                capture_output=True,
                cwd=Path(__file__).resolve().parents[2],
            )
            assert done.returncode == status, done.stderr  # what failed took no time

        return run

    times = best(
        {
            "reading": process("-c", read, str(plain)),
            "verdict": process("-m", "memdiag", "verdict", str(plain), status=1),
            "contrary": process("-c", read, str(contrary)),
        }
    )
    for name in ("verdict", "contrary"):
        ratio = times[name] / times["reading"]
        print(f"a million rows, {name}: {times[name]:.2f} s, {ratio:.2f} times reading them")


def contrary_rows(path: Path) -> str:
    """The rows of a dump, in every other of which the word read is the word written."""
    rows = path.read_text().splitlines()[HEAD.count("\n") : -1]
    cells = (row.split(" ") for row in rows[::2])
    wrong = (" ".join((*c[:5], c[4], *c[6:])) for c in cells)
    return "".join(f"{a}\n{b}\n" for a, b in zip(wrong, rows[1::2], strict=True))


def ordinary() -> None:
    """A dump as a technician pastes it: 500 rows, read line by line."""
    from memdiag.reading import load

    body = "".join(
        f"U{1 + i % 12} {i % 24} {i % 2} read pass 0.46UI 61mV 00111100 12 4\n" for i in range(500)
    )
    text = (
        "bench-dump 1\n[run]\nid a\n[training]\nsite ch lane step result width height window "
        f"delay spread\n{body}[end] 500\n"
    )
    lines = text.count("\n")
    took = best({"load": lambda: load.load(text)})["load"]
    print(f"ordinary dump of 500 rows: {1000 * took:.0f} ms, {lines / took:,.0f} lines/s")


def memory(folder: Path, mb: float) -> None:
    """Peak memory of one process that reads the dump from disk."""
    path = folder / "large.txt"
    rows = write_rows(path, mb)
    found = child(path)
    print(
        f"{path.stat().st_size / 1e6:.0f} MB, {rows:,} rows from disk: {found['seconds']:.1f} s, "
        f"peak {found['peak']:.0f} MB; {found['held']:,} rows held, "
        f"share {found['share']:g}"
    )
    path.unlink()


def growth(folder: Path) -> None:
    """Time against the number of rows."""
    before = None
    for rows in (10_000, 100_000, 1_000_000, 10_000_000):
        path = folder / "grow.txt"
        write_rows(path, 0, rows=rows)
        found = min(
            (child(path) for _ in range(2 if rows < 10**7 else 1)), key=lambda f: f["seconds"]
        )
        ratio = "" if before is None else f"  x {found['seconds'] / before:.1f}"
        each = 1e6 * found["seconds"] / rows
        print(
            f"  {rows:>10,} rows  {found['seconds']:7.2f} s  {each:6.2f} us a row  "
            f"peak {found['peak']:4.0f} MB{ratio}"
        )
        before = found["seconds"]
        path.unlink()


def child(path: Path) -> dict[str, float]:
    """Read in a process of its own, so that its memory is its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--child", str(path)], check=True, capture_output=True, text=True
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def be_child(path: str) -> None:
    from memdiag.reading import load

    load.load(HEAD + "U1 0 0 0x0 0x0 0x1 ok 0\n" * 20_000 + "[end]\n")  # Arrow is loaded now
    started = time.perf_counter()
    (run,) = load.load(Path(path))
    seconds = time.perf_counter() - started
    assert run.errors is not None
    peak = peak_mb()
    print(
        json.dumps(
            {"seconds": seconds, "peak": peak, "held": len(run.errors), "share": run.errors.share}
        )
    )


def peak_mb() -> float:
    """Peak memory of this process. The kernel's own mark, where there is one: `ru_maxrss` of a
    child starts with what its parent held when it was born."""
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024 / 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--mb", type=float, default=200)
    parser.add_argument("--all", action="store_true", help="also 2 GB and the growth with rows")
    parser.add_argument("--child")
    chosen = parser.parse_args()
    if chosen.child:
        be_child(chosen.child)
        return
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ordinary()
        speed(folder, chosen.mb)
        verdicts(folder)
        if chosen.all:
            memory(folder, 2000)
            growth(folder)


if __name__ == "__main__":
    main()
