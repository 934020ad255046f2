"""What a terminal shows of a long step, what anything else does not, and Ctrl-C.

The commands run in processes of their own, with a pseudo-terminal (pty(7)) or a pipe as standard
error.
"""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from memdiag.cli.progress import Step

ROOT = Path(__file__).resolve().parents[2]
AT_ONCE = """
import sys
from memdiag.cli import main, progress

progress.AFTER = 0.0
sys.argv[0] = "memdiag"
main.main()
"""
"""memdiag, with steps that show how far they are from the first moment on."""


def large(path: Path, rows: int = 20_000) -> Path:
    body = "".join(f"U1 0 {i:#010x} 0x01 0x00 {i % 7}\n" for i in range(rows))
    path.write_text(
        f"bench-dump 1\n[errors]\nsite ch address wrote read pass\n{body}[end] {rows}\n"
    )
    return path


def on_terminal(*words: str, **more: str) -> tuple[int, str]:
    """The exit status, and all that the terminal on standard error was sent."""
    ours, theirs = pty.openpty()
    done = subprocess.Popen(
        [sys.executable, "-c", AT_ONCE, *words],
        cwd=ROOT,
        env=os.environ | {"TERM": "xterm", "COLUMNS": "120"} | more,
        stdout=subprocess.DEVNULL,
        stderr=theirs,
    )
    os.close(theirs)
    shown = b""
    try:
        while data := os.read(ours, 4096):
            shown += data
    except OSError:  # the other end is closed: EIO on Linux (pty(7))
        pass
    os.close(ours)
    return done.wait(), shown.decode()


def test_a_terminal_sees_how_far_reading_is_and_no_trace_is_left(tmp_path: Path) -> None:
    status, shown = on_terminal("verdict", str(large(tmp_path / "large.dump")))
    assert status in (0, 1)
    found = re.search(r"\rreading large.dump \[#*-*\] +\d+%, [\d.,]+ MB/s, [^\r]* left", shown)
    assert found, shown
    last = shown[: shown.rindex("\r")].rpartition("\r")[2]
    assert not last.strip()  # wiped off


@pytest.mark.parametrize("more", [{"NO_COLOR": "1"}, {"NO_COLOR": ""}, {"TERM": "dumb"}])
def test_it_is_plain_text(more: dict[str, str], tmp_path: Path) -> None:
    _, shown = on_terminal("read", str(large(tmp_path / "large.dump")), **more)
    assert "\x1b" not in shown
    assert ("MB/s" in shown) == ("TERM" not in more)


def test_a_pipe_sees_nothing_of_it(tmp_path: Path) -> None:
    words = ("verdict", str(large(tmp_path / "large.dump")))
    done = subprocess.run(
        [sys.executable, "-c", AT_ONCE, *words], cwd=ROOT, capture_output=True, check=False
    )
    assert b"\r" not in done.stdout + done.stderr and b"MB/s" not in done.stdout + done.stderr


def test_what_is_shown_adds_up() -> None:
    step = Step("reading", 4_000_000, "MB", "")
    step.done = 1_000_000
    assert step.line(2.0) == "reading [######------------------]  25%, 0.5 MB/s, 6 s left"
    assert Step("reading", None, "files", "", 30).line(3.0) == "reading: 30 files, 10 files/s"
    assert Step("reading", 10_000, "files", "", 1).line(60.0).endswith(", 166 h 39 min left")


def stopped(words: list[str], pipe: Path, fed: str) -> tuple[int, str]:
    """The exit status and standard error of a command that is interrupted as a terminal does it,
    the whole group, while it waits for more."""
    done = subprocess.Popen(
        [sys.executable, "-m", "memdiag", *words],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    with pipe.open("w") as writer:  # opened when the command has opened it
        writer.write(fed)
        writer.flush()
        time.sleep(0.5)
        os.killpg(done.pid, signal.SIGINT)
        out, err = done.communicate(timeout=60)
    assert not out
    return done.returncode, err


def test_an_interrupt_says_how_far_it_was_and_leaves_nothing(tmp_path: Path) -> None:
    pipe, target = tmp_path / "console", tmp_path / "out.json"
    os.mkfifo(pipe)
    fed = large(tmp_path / "large.dump").read_text()
    status, said = stopped(["verdict", str(pipe), "-o", str(target)], pipe, fed)
    assert status == 128 + signal.SIGINT  # Bash manual, 3.7.5
    (line,) = (line for line in said.splitlines() if line.strip())
    assert line.startswith("memdiag: stopped while reading console (")
    assert line.endswith("nothing was judged, and nothing written")
    assert sorted(each.name for each in tmp_path.iterdir()) == ["console", "large.dump"]


def test_an_interrupt_ends_the_workers_too(tmp_path: Path) -> None:
    """Among many files, one that never ends."""
    for i in range(30):
        large(tmp_path / f"{i:02}.dump", 30)
    pipe = tmp_path / "99.dump"
    os.mkfifo(pipe)
    names = sorted(str(path) for path in tmp_path.iterdir())
    started = time.monotonic()
    status, said = stopped(["read", *names], pipe, "bench-dump 1\n")
    assert status == 128 + signal.SIGINT
    assert "Traceback" not in said
    assert re.search(r"memdiag: stopped while reading \(\d+% done\)", said), said
    assert time.monotonic() - started < 50
