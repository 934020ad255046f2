"""Commands take designators in any case, and say each problem once on a terminal."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BAD = (
    "bench-dump 1\n[run]\nboard quince-2\n[training]\nsite ch lane step result\n"
    "u1 0 0 read pass\nU1 0 1 read kaputt\n[end] 2\n"
)


def test_a_problem_is_shown_once_where_both_streams_are_one_terminal(tmp_path: Path) -> None:
    (tmp_path / "bad.dump").write_text(BAD)
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "memdiag", "verdict", str(tmp_path / "bad.dump")]
    child = subprocess.Popen(command, stdout=theirs, stderr=theirs, cwd=ROOT)
    os.close(theirs)
    shown = b""
    try:
        while piece := os.read(ours, 4096):
            shown += piece
    except OSError:  # the terminal is gone with the command
        pass
    child.wait()
    os.close(ours)
    assert shown.decode().replace("\r\n", " ").count("'kaputt', expected a result") == 1
    both = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert "kaputt" in both.stdout  # the page has it
    assert "kaputt" in both.stderr  # and so has the other stream, where it is another


def test_rails_are_read_in_any_case() -> None:
    words = "rails --board quince-12 --off u6 --after vdd_mem_a=180 vdd_mem_a=200"
    command = [sys.executable, "-m", "memdiag", *words.split(), "--warm", "Vdd_Mem_A:u6"]
    told = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    shown = told.stdout + told.stderr
    assert told.returncode in (0, 1), shown
    assert "vdd_mem_a" not in shown
    assert "u6" not in shown
    assert "VDD_MEM_A" in shown
