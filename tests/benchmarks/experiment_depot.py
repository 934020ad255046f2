"""A depot's day: 20,000 simulated dumps, workers killed in the middle, the batch itself killed too.

    python tests/benchmarks/experiment_depot.py [--dumps 20000] [--seconds-between 5]

The dumps lie in a folder, in a tar.gz and in a Parquet file, a third each. One batch is left alone.
The other loses a worker to SIGKILL every few seconds, and is killed itself at a third and at two
thirds of the way and gone on with. At the end both folders must be the same byte for byte; what the
verdicts say is compared with what was simulated. 20,000 take some two hours of two cores.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import os
import random
import signal
import subprocess
import sys
import tarfile
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

BOARDS = ("quince-12", "quince-8", "quince-2")
FIRST_SEED = 1_500_000


def simulated(number: int) -> tuple[bytes, frozenset[str]]:
    """A dump, and the sites whose package is bad and leaves a trace in it."""
    from memdiag.boards import profiles
    from tests.simulator import scenes

    board = profiles.find(BOARDS[number % len(BOARDS)])
    scene = scenes.draw(FIRST_SEED + number, board=board, known=True)
    bad = {t.site for t in scene.truth if t.visible and t.site and "replace" in t.actions}
    return scene.text.encode("utf-8", "surrogatepass"), frozenset(bad)


def lay_out(folder: Path, texts: list[bytes]) -> None:
    """A third of the texts as files, a third in a tar.gz, a third in a Parquet file."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    third = -(-len(texts) // 3)
    (folder / "day").mkdir(parents=True)
    for number, text in enumerate(texts[:third]):
        (folder / "day" / f"{number:06d}.dump").write_bytes(text)
    with tarfile.open(folder / "night.tar.gz", "w:gz") as archive:
        for number, text in enumerate(texts[third : 2 * third], third):
            info = tarfile.TarInfo(f"{number:06d}.dump")
            info.size = len(text)
            archive.addfile(info, io.BytesIO(text))
    names = [f"{number:06d}" for number in range(2 * third, len(texts))]
    table = pa.table({"text": pa.array(texts[2 * third :], pa.binary()), "name": names})
    pq.write_table(table, folder / "other.parquet", row_group_size=1000)


def batch(folder: Path, out: Path) -> subprocess.Popen[bytes]:
    words = ["batch", str(folder), "-o", str(out), "--without-seconds"]
    return subprocess.Popen(
        [sys.executable, "-m", "memdiag", *words], cwd=ROOT, stdout=subprocess.DEVNULL
    )


def disturbed(folder: Path, out: Path, dumps: int, between: float) -> tuple[int, int]:
    """A batch that loses workers, and is killed twice; how many workers, how many batches."""
    from tests.benchmarks.bench_depot import children

    rng = random.Random(1)
    workers = batches = 0
    process = batch(folder, out)
    while process.poll() is None:
        time.sleep(between * rng.uniform(0.5, 1.5))
        done = 500 * len(list(out.glob("done/000001-*")))
        if batches < 2 and done > dumps * (batches + 1) / 3:
            process.kill()
            process.wait()
            batches += 1
            process = batch(folder, out)
        elif found := children(process.pid):
            with suppress(ProcessLookupError):
                os.kill(rng.choice(found), signal.SIGKILL)
                workers += 1
    if process.returncode not in (0, 1):
        raise SystemExit(f"memdiag ended with {process.returncode}")
    return workers, batches


def content(out: Path) -> dict[str, str]:
    return {
        str(path.relative_to(out)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in out.rglob("*")
        if path.is_file()
    }


def twice_killed(out: Path) -> list[str]:
    """Inputs that chance met twice; their verdicts are the one difference there may be."""
    import pandas as pd

    found = pd.read_parquet(out / "verdicts")
    return found.loc[found["aside"] == "batch-killed", "input"].tolist()


def compare_with_truth(out: Path, truth: list[frozenset[str]]) -> None:
    import pandas as pd

    found = pd.read_parquet(out / "verdicts")
    number = found["input"].str.extract(r"(\d{6})(?:\.dump)?$")[0].astype(int)
    bad = number.map(lambda n: len(truth[n]) > 0)
    places = zip(number, found["site"], strict=True)
    right = pd.Series([site in truth[n] for n, site in places], found.index)
    replaced = found["action"] == "replace"
    print(f"  {found['aside'].notna().sum()} inputs without a verdict")
    print(f"  {found['released'].sum()} released, {(found['released'] & bad).sum()} of them bad")
    print(f"  {replaced.sum()} to be replaced, {(replaced & right).sum()} of them at a bad package")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--dumps", type=int, default=20_000)
    parser.add_argument("--seconds-between", type=float, default=5.0)
    args = parser.parse_args()
    began = time.perf_counter()
    with ProcessPoolExecutor() as pool:
        made = list(pool.map(simulated, range(args.dumps), chunksize=50))
    print(f"{args.dumps} dumps simulated in {time.perf_counter() - began:.0f} s")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lay_out(folder / "in", [text for text, _ in made])
        began = time.perf_counter()
        if batch(folder / "in", folder / "alone").wait() not in (0, 1):
            raise SystemExit("the batch did not come to its end")
        print(f"left alone: {time.perf_counter() - began:.0f} s")
        began = time.perf_counter()
        killed = disturbed(folder / "in", folder / "disturbed", args.dumps, args.seconds_between)
        took = time.perf_counter() - began
        print(f"{killed[0]} workers killed, {killed[1]} times the batch: {took:.0f} s")
        same = content(folder / "alone") == content(folder / "disturbed")
        print("both are the same byte for byte" if same else "THEY DIFFER")
        for met in twice_killed(folder / "disturbed"):
            print(f"  {met} was set aside: its worker was killed at both tries")
        compare_with_truth(folder / "alone", [sites for _, sites in made])
    sys.exit(not same)


if __name__ == "__main__":
    main()
