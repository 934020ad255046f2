"""`memdiag batch` from the outside: what it says, how it ends, what it leaves, and going on."""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys
import time
from importlib.util import find_spec
from pathlib import Path

import pytest

from memdiag.model.batch import DATASETS
from memdiag.model.problems import batch as catalogue
from memdiag.model.problems import problem
from tests.depot.bench import ROOT, content, dump, fill, rows, zipped
from tests.support import schemas
from tests.support.marks import lengthy

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


def started(words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "memdiag", "batch", *shlex.split(words)],
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def run(words: str) -> tuple[int, str, str]:
    process = started(words)
    out, err = process.communicate(timeout=100)
    assert "Traceback" not in err and "a fault in memdiag itself" not in err
    return process.returncode, out, err


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    fill(tmp_path / "in", 3)
    return tmp_path


def test_what_it_prints_and_leaves(bench: Path) -> None:
    fill(bench / "in", 3, notes="remember the milk\n")
    status, out, err = run("in -o out")
    assert status == 1 and err == ""
    assert out.startswith("JUDGED 3 dumps of 4 inputs: 2 may be released\n")
    assert "in/notes.dump: " in out
    left = {path.name for path in (bench / "out").iterdir()}
    assert left == {*DATASETS, "batch.json", "inputs", "done", "summary.json", "summary.html"}
    document = json.loads((bench / "out" / "summary.json").read_text())
    schemas.check(document, "memdiag-batch-1")
    page = (bench / "out" / "summary.html").read_text()
    assert "<svg" in page and "U1" in page and "remember" not in page
    assert "U1" in page


def test_all_that_may_be_released_is_status_0(bench: Path) -> None:
    status, out, _ = run("in/000.dump -o out")
    assert status == 0 and out.startswith("JUDGED 1 dumps of 1 inputs: 1 may be released")


def test_the_options_of_reading_reach_the_worker(bench: Path) -> None:
    Path("shop.toml").write_text('[words.result]\nprima = "pass"\n')
    Path("own.dump").write_text(dump().replace(" pass ", " prima "))
    run("own.dump -o without --without-seconds")
    run("own.dump -o with --without-seconds --shop shop.toml --removed U2")
    assert rows(bench / "without", "verdicts")[0]["released"] is False
    assert rows(bench / "with", "verdicts")[0]["lost"] == 0
    told = [row["message"] for row in rows(bench / "with", "problems")]
    assert any("U2" in message for message in told)  # removed, and it answers


def test_it_goes_on_from_the_folder_alone(bench: Path) -> None:
    run("in -o out --without-seconds")
    before = content(bench / "out")
    status, out, _ = run("-o out --without-seconds")
    assert status == 1 and "JUDGED 3 dumps" in out and content(bench / "out") == before


@pytest.mark.parametrize("number", [signal.SIGINT, lengthy(signal.SIGTERM)])
def test_stopped_it_says_what_is_kept_and_goes_on(bench: Path, number: int) -> None:
    fill(bench / "in", 700)
    process = started("in -o out --without-seconds")
    until = time.monotonic() + 60
    while not list((bench / "out").glob("done/000001-*.json")) and time.monotonic() < until:
        time.sleep(0.05)
    process.send_signal(number)
    out, err = process.communicate(timeout=60)
    done = 500 * len(list((bench / "out").glob("done/000001-*.json")))
    assert process.returncode == 2 and out == ""
    assert f"stopped: {done:,} inputs are done and kept in out" in err and 0 < done < 700


def test_it_follows_a_folder_until_it_is_stopped(bench: Path) -> None:
    """A file that still grows is waited for; the same as a batch of all of them, but for how they
    lie in files."""
    process = started("--follow in -o out --without-seconds")
    growing = bench / "in" / "growing.dump"
    text = dump(7)
    try:
        wait_for(bench / "out", 3)
        half = len(text) // 2
        growing.write_text(text[:half])
        time.sleep(1.0)
        growing.write_text(text)
        (bench / "in" / "more.zip").write_bytes(zipped({"a.dump": dump(8), "b.dump": dump(9)}))
        wait_for(bench / "out", 6)
    finally:
        process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 1 and "JUDGED 6 dumps of 6 inputs" in out and err == ""
    run("in -o whole --without-seconds")
    for dataset in DATASETS:
        if dataset != "problems":
            assert rows(bench / "out", dataset) == rows(bench / "whole", dataset)
    again = started("--follow out --without-seconds")
    (bench / "in" / "last.dump").write_text(dump(10))
    try:
        wait_for(bench / "out", 7)
    finally:
        again.send_signal(signal.SIGINT)
    assert "JUDGED 7 dumps" in again.communicate(timeout=60)[0]


def wait_for(out: Path, dumps: int) -> None:
    until = time.monotonic() + 60
    while time.monotonic() < until:
        try:
            if json.loads((out / "summary.json").read_text())["dumps"] >= dumps:
                return
        except FileNotFoundError:
            pass
        time.sleep(0.1)
    raise AssertionError(f"{dumps} dumps were not judged in time")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("in", "name the folder to write to with -o"),
        ("-o out", "name the dumps: out holds no batch to go on with"),
        ("in -o out --cluster tcp://x:1 --workers 2", "leave --workers away"),
        ("in -o out --workers 0", "1<=x<=1024"),
        ("in -o out --memory-each 10", "512<=x<=1048576"),
        ("in -o out --seconds-each nan", "nan"),
        ("in -o out --board nowhere", "no such file"),
        ("in -o out --grammar nowhere", "nowhere"),
        ("in -o out --shop nowhere.toml", "nowhere.toml"),
    ],
)
def test_wrong_usage_writes_nothing(bench: Path, words: str, says: str) -> None:
    status, out, err = run(words)
    assert status == 2 and out == "" and says in err
    assert not (bench / "out").exists()


# -- every problem of a batch is provoked ---------------------------------------------------------


def _spoil(bench: Path) -> None:
    """What the inputs of the catalogue find there."""
    for name in ("a", "b"):
        Path(f"{name}.dump").write_text(dump())
    Path("astray.dump").symlink_to("gone")
    Path("empty").mkdir()
    fill(bench / "taken", 1)
    for name in ("begun", "thinned"):
        assert run(f"a.dump -o {name}")[0] == 0
    next((bench / "thinned" / "verdicts").rglob("000001-*.parquet")).unlink()
    Path("spoilt").mkdir()
    Path("spoilt/batch.json").write_text("{")
    Path("grown.zip").write_bytes(zipped({"a.dump": dump(1)}))
    assert run("grown.zip -o grown")[0] == 0
    Path("grown.zip").write_bytes(zipped({"b.dump": dump(1)}))
    Path("nested.zip").write_bytes(zipped({"in.zip": zipped({"a": "b"})}))
    Path("cut.zip").write_bytes(zipped({"a.dump": dump()})[:-30])
    Path("cut.parquet").write_bytes(b"PAR1")
    Path("bomb.zip").write_bytes(zipped({"a": bytes(65 << 20)}))
    import pyarrow as pa
    import pyarrow.parquet as pq

    pq.write_table(pa.table({"ohms": [1.0]}), "figures.parquet")


@pytest.mark.long
def test_each_problem_is_provoked_by_its_inputs(bench: Path) -> None:
    _spoil(bench)
    for code, kind in catalogue.KINDS.items():
        for number, words in enumerate(kind.provoked_by):
            assert isinstance(words, str) and kind.via == "batch"
            own = words.replace("-o out", f"-o out-{code}-{number}")
            if "--cluster" in words and find_spec("distributed") is None:
                continue  # tried where the extra `depot` is installed
            status, out, err = run(own)
            assert status == (1 if "JUDGED" in out else 2), (code, words, out, err)
            said = err if status == 2 else (bench / f"out-{code}-{number}/summary.json").read_text()
            assert all(part in said for part in _constant(kind.hint)), (code, words, out, err)


def _constant(text: str) -> list[str]:
    """What a format string says whatever is filled in."""
    import re

    return [part for part in re.split(r"\{[^}]*\}", text) if part.strip()]


def test_problems_without_inputs_are_those_that_tests_make_happen() -> None:
    """By workers and clusters that fail, and by bounds: in `tests/depot`."""
    tests = "".join(path.read_text() for path in (ROOT / "tests" / "depot").glob("test_*.py"))
    for code, kind in catalogue.KINDS.items():
        assert kind.provoked_by or f'"{code}"' in tests, code


def test_texts_of_problems_can_be_filled_in() -> None:
    assert "{" not in problem("batch-slow", None, reason="3").sentence()
