"""Bounded coverage-guided fuzz runs of all that is read, and a replay of all that such runs found.

Longer by hand: `python -m tests.fuzz.harness reader -max_total_time=3600
-dict=tests/fuzz/words.dict CORPUS`; a find goes into tests/fuzz/finds/ under a name that says what
it was.
"""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from tests.fuzz.files import TARGETS
from tests.fuzz.one import one

HERE = Path(__file__).parent
SECONDS = {"reader": 8, **dict.fromkeys(TARGETS, 2)}
FINDS = sorted((HERE / "finds").glob("*.bin"))


@pytest.mark.parametrize("find", FINDS, ids=lambda path: path.stem)
def test_what_was_found_stays_mended(find: Path) -> None:
    ask, _ = TARGETS.get(find.stem.partition("-")[0], (one, None))
    ask(find.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_what_fuzzing_begins_with_is_sound(name: str) -> None:
    ask, begin = TARGETS[name]
    for seed in (*begin(), b"", b"\0", b"\xff\xfe", b"[" * 3000):
        ask(seed)


@pytest.mark.long
@pytest.mark.skipif(find_spec("atheris") is None, reason="atheris is not installed (extra: fuzz)")
@pytest.mark.parametrize("name", SECONDS)
def test_a_bounded_fuzz_run_finds_nothing(name: str, tmp_path: Path) -> None:
    ended = subprocess.run(
        [
            sys.executable,
            "-m",
            "tests.fuzz.harness",
            name,
            f"-max_total_time={SECONDS[name]}",
            "-max_len=1500",
            "-timeout=10",
            "-rss_limit_mb=2000",
            f"-dict={HERE / 'words.dict'}",
            f"-artifact_prefix={tmp_path}/find-",
            str(tmp_path / "corpus"),
        ],
        cwd=HERE.parent.parent,
        capture_output=True,
        text=True,
        timeout=SECONDS[name] + 150,
        check=False,
    )
    found = [path.read_bytes() for path in tmp_path.glob("find-*")]
    assert ended.returncode == 0, (found, ended.stderr[-3000:])
