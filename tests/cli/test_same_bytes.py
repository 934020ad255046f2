"""The same dump gives the same JSON, byte for byte: whatever the hash seed, the order in which
files are named, and the size of the pieces in which its text is read.

Python says that the order of a set of texts is another in each process (`PYTHONHASHSEED`, Python
manual, 1.2), so only processes of their own can show it.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ("missing-package", "weak-package", "dirty-paste", "dead-line", "low-rail")

PIECES = """
import sys
from memdiag.cli.main import main
from memdiag.reading import chunks, error_log_builder, load, stream

block, window, large, held = map(int, sys.argv[1:5])
chunks.blocks.__defaults__ = (block,)
stream.read.__kwdefaults__["window"] = window
load.LARGE = large
error_log_builder.MOST_LOG_ROWS = held
sys.argv[1:] = sys.argv[5:]
main()
"""
"""A command of memdiag that reads its text in pieces of such sizes."""


def ran(*words: str, seed: int = 0) -> bytes:
    done = subprocess.run(
        [sys.executable, *words],
        cwd=ROOT,
        env=os.environ | {"PYTHONHASHSEED": str(seed), "PYTHONPATH": str(ROOT)},
        capture_output=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr.decode()
    return done.stdout


def samples() -> list[str]:
    return [str(ROOT / "samples" / f"{name}.dump") for name in SAMPLES]


def test_the_hash_seed_does_not_matter() -> None:
    words = ("-m", "memdiag", "verdict", *samples(), "--format", "json")
    first, *others = (ran(*words, seed=seed) for seed in (0, 1, 4242))
    assert len(json.loads(first)) >= 3
    assert others == [first, first]


def test_the_order_of_files_is_that_of_their_documents_and_changes_none() -> None:
    names = samples()
    words = ("-m", "memdiag", "verdict", "--format", "json")
    forward, backward = (json.loads(ran(*words, *each)) for each in (names, names[::-1]))
    texts = [json.dumps(document, sort_keys=False) for document in forward]
    assert [json.dumps(document, sort_keys=False) for document in backward] == texts[::-1]


def large(rows: int) -> str:
    """A dump with a long error log, more than a half of it one lane's, with lines in it that are no
    rows, rows that contradict themselves and rows that were printed before."""
    rng = np.random.default_rng(11)
    lines = []
    for i in range(rows):
        site, channel, lane = (3, 4, 1) if i % 3 else (1 + i % 12, 2 * (i % 12), 0)
        wrote, bit = int(rng.integers(0, 256)), 1 << int(rng.integers(0, 8))
        address = int(rng.integers(0, 1 << 26)) << 6
        read = wrote if i % 97 == 5 else wrote ^ bit
        row = f"U{site} {channel} {lane} {address:#012x} {wrote:#04x} {read:#04x} bad {i // 1000}"
        lines.append(row)
        if i % 1009 == 8:
            lines.append(row)
        if i % 1511 == 9:
            lines.append(f"[  {i}.401] usb 1-1: new high-speed device")
    head = (
        "bench-dump 1\n[run]\nboard quince-12\n[errors]\nsite ch lane address wrote read edc pass\n"
    )
    return head + "\n".join(lines) + "\n[end]\n"


@pytest.mark.long
@pytest.mark.parametrize("held", [1_000_000, 3_000], ids=["all held", "thinned"])
def test_the_size_of_the_pieces_does_not_matter(held: int, tmp_path: Path) -> None:
    path = tmp_path / "large.dump"
    path.write_text(large(12_000))
    sizes = (
        ("1000000000", "2000000", "1000000000"),  # one chunk, line by line
        ("8000000", "2097152", "1000"),
        ("100000", "30000", "1000"),
        ("33333", "7777", "1000"),
    )
    words = ("verdict", str(path), "--format", "json")
    first, *others = (ran("-c", PIECES, *each, str(held), *words) for each in sizes)
    document = json.loads(first)
    told = {problem["code"] for problem in document["problems"]}
    assert {"contradiction", "rows-repeated", "kernel-messages"} <= told
    assert ("errors-thinned" in told) == (held < 12_000)
    for each in others:
        assert each == first
