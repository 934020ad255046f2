"""The same dump gives the same document, to the byte, whatever Python's hash seed: sets of sites
have no order, and what is told of places that speak alike must not depend on it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from memdiag.boards import profiles
from tests.simulator import scenes

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("seed", "board"), [(70_003, "quince-12"), (70_028, "quince-8"), (70_090, "quince-12")]
)
def test_the_hash_seed_changes_no_byte(seed: int, board: str, tmp_path: Path) -> None:
    """Simulated faults of several packages at once, where many places speak alike."""
    path = tmp_path / "a.dump"
    path.write_text(scenes.draw(seed, board=profiles.find(board), known=True).text)
    said = {
        subprocess.run(
            [sys.executable, "-m", "memdiag", "verdict", str(path), "--format", "json"],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": str(number)},
            capture_output=True,
            check=False,
        ).stdout
        for number in range(1, 4)
    }
    assert len(said) == 1 and b"memdiag-verdict" in said.pop()
