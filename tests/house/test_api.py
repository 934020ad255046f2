"""What `import memdiag` promises to a Python program."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import memdiag

SAMPLES = Path(__file__).resolve().parents[2] / "samples"


def test_the_names_are_the_ones_promised() -> None:
    assert set(memdiag.__all__) == {
        "Board",
        "Run",
        "__version__",
        "compare",
        "frame",
        "judge",
        "load",
    }
    for name in memdiag.__all__:
        assert getattr(memdiag, name) is not None
    with pytest.raises(AttributeError, match="diagnose"):
        memdiag.diagnose  # noqa: B018


def test_from_a_dump_to_a_verdict_and_a_table() -> None:
    (run,) = memdiag.load(SAMPLES / "missing-package.dump")
    verdict = memdiag.judge(run)
    assert verdict.summary.site == "U6" and verdict.summary.cause == "missing"
    frame = memdiag.frame(verdict.table)
    assert list(frame.columns)[:2] == ["run", "site"] and len(frame) == 72
    (after,) = memdiag.load(SAMPLES / "after-swap.dump")
    assert memdiag.compare(run, after).outcome == "repaired"


def test_text_bytes_and_a_path_are_read_alike() -> None:
    path = SAMPLES / "ddr4-missing.dump"
    data = path.read_bytes()
    runs = [memdiag.load(source)[0] for source in (data, data.decode(), path)]
    assert len({run.source.sha256 for run in runs}) == 1
    assert runs[0].training == runs[1].training == runs[2].training


@pytest.mark.parametrize(
    "first", ["memdiag.reading.load", "memdiag.diagnosis.judge", "memdiag.cli.main"]
)
def test_load_is_the_function_whatever_was_imported_before(first: str) -> None:
    code = (
        f"import {first}, memdiag\n"
        "assert memdiag.load('bench-dump 1\\n[run]\\nid a\\n[end] 0\\n')[0].head.id == 'a'\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=SAMPLES.parent)


def test_importing_it_costs_nothing() -> None:
    code = "import sys, memdiag; print(*(m for m in sys.modules if m.startswith('memdiag.')))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=SAMPLES.parent
    )
    assert done.stdout.split() == []
