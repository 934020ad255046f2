"""What a terminal and a shell are met with: suggestions, completion, several inputs, tickets."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MISSING = (ROOT / "samples" / "missing-package.dump").read_bytes()
AFTER = (ROOT / "samples" / "after-swap.dump").read_bytes()


def run(*words: str, cwd: Path, **more: str) -> subprocess.CompletedProcess[str]:
    env = os.environ | {"PYTHONPATH": str(ROOT), "XDG_DATA_HOME": str(cwd / "data")} | more
    command = [sys.executable, "-m", "memdiag", *words]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, env=env, check=False)


@pytest.fixture
def here(tmp_path: Path) -> Path:
    (tmp_path / "before.txt").write_bytes(MISSING)
    (tmp_path / "after.txt").write_bytes(AFTER)
    (tmp_path / "letter.txt").write_text("Dear Sirs,\nthe board is on its way.\n")
    return tmp_path


def test_a_slip_in_a_command_is_answered_with_the_command(here: Path) -> None:
    told = run("verdit", "before.txt", cwd=here)
    assert told.returncode == 2
    assert "memdiag verdict" in told.stderr
    assert "Did you mean" not in run("qqqq", cwd=here).stderr


def test_help_shows_the_three_uses(here: Path) -> None:
    shown = run("--help", cwd=here).stdout
    for use in ("memdiag verdict", "memdiag compare before.txt after.txt", "memdiag attach"):
        assert use in shown


def test_one_bad_input_does_not_stop_the_others(here: Path) -> None:
    told = run("verdict", "letter.txt", "before.txt", "gone.txt", "after.txt", cwd=here)
    assert told.returncode == 2
    assert "WHERE: U6" in told.stdout and "DO: nothing to do" in told.stdout
    for name in ("letter.txt", "gone.txt"):
        assert f"{name}" in told.stderr and "not judged" in told.stderr
    alone = run("verdict", "letter.txt", cwd=here)
    assert alone.returncode == 2 and not alone.stdout
    both = run("verdict", "letter.txt", "gone.txt", cwd=here)
    assert both.returncode == 2 and "none of the inputs" in both.stderr


def test_the_ticket_is_taken_from_the_dump(here: Path) -> None:
    told = run("attach", "before.txt", "--to", "tickets", cwd=here)
    assert told.returncode == 1, told.stderr
    assert (here / "tickets" / "R-1187").is_dir()
    (here / "other.txt").write_bytes(AFTER.replace(b"R-1187", b"R-9"))
    two = run("attach", "before.txt", "other.txt", "--to", "elsewhere", cwd=here)
    assert two.returncode == 2 and "R-1187, R-9" in two.stderr
    assert not (here / "elsewhere").exists()
    (here / "none.txt").write_bytes(b"\n".join(x for x in AFTER.split(b"\n") if b"R-1187" not in x))
    none = run("attach", "none.txt", "--to", "elsewhere", cwd=here)
    assert none.returncode == 2 and "--ticket" in none.stderr


def test_a_page_named_html_is_html(here: Path) -> None:
    assert run("verdict", "before.txt", "-o", "page.html", cwd=here).returncode == 1
    assert (here / "page.html").read_text().startswith("<!doctype html>")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts_are_accepted_by_their_shell(shell: str, here: Path) -> None:
    told = run("completion", shell, cwd=here)
    assert told.returncode == 0 and "memdiag" in told.stdout
    if shutil.which(shell):  # it reads the script and finds nothing wrong
        checked = subprocess.run([shell, "-n"], input=told.stdout, text=True, check=False)
        assert checked.returncode == 0


def test_commands_and_options_are_completed(here: Path) -> None:
    def asked(words: str, at: int) -> str:
        more = {"COMP_WORDS": words, "COMP_CWORD": str(at), "_MEMDIAG_COMPLETE": "bash_complete"}
        return run(cwd=here, **more).stdout

    assert "verdict" in asked("memdiag ver", 1).replace(",", "\n").split()
    assert "--every-row" in asked("memdiag verdict --ev", 2)
