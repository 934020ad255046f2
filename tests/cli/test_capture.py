"""`memdiag capture`: what is judged, printed, filed and kept, and how it ends."""

from __future__ import annotations

import hashlib
import json
import os
import pty
import signal
import subprocess
import sys
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import pytest

from tests.support.capturing import kept

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "samples"
MISSING = (SAMPLES / "missing-package.dump").read_bytes()
AFTER = (SAMPLES / "after-swap.dump").read_bytes()
COMMAND = [sys.executable, "-m", "memdiag", "capture"]


def env(home: Path) -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT), "XDG_DATA_HOME": str(home / "data")}


def run(*words: str, cwd: Path, stdin: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [*COMMAND, *words],
        input=stdin,
        capture_output=True,
        cwd=cwd,
        env=env(cwd),
        check=False,
        timeout=60,
    )


@contextmanager
def listening(*words: str, cwd: Path, **more: int) -> Iterator[subprocess.Popen[bytes]]:
    """A capture in a process group of its own, as a shell starts it, that has begun to listen."""
    started = subprocess.Popen(
        [*COMMAND, *words],
        cwd=cwd,
        env=env(cwd) | {"TERM": "xterm", "COLUMNS": "160"},
        start_new_session=True,
        **({"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | more),
    )
    try:
        if started.stderr is not None:
            assert b"listens to" in started.stderr.readline()
        yield started
    finally:
        started.kill()
        started.communicate()


@pytest.fixture
def console() -> Iterator[tuple[int, str]]:
    """The board's end of a serial line, and the name of the other."""
    pytest.importorskip("serial", reason="pyserial is not installed (extra: capture)")
    board, end = os.openpty()
    tty.setraw(end)
    yield board, os.ttyname(end)
    os.close(board)
    os.close(end)


def send(board: int, data: bytes) -> None:
    while data:
        data = data[os.write(board, data[:512]) :]


def test_a_pipe_is_judged_dump_by_dump(tmp_path: Path) -> None:
    told = run(cwd=tmp_path, stdin=MISSING + AFTER)
    assert told.returncode == 1, told.stderr
    assert [line for line in told.stdout.splitlines() if line.startswith(b"DO:")] == [
        b"DO: REPLACE the package at U6",
        b"DO: nothing to do",
    ]
    assert kept(tmp_path / "captures") == MISSING + AFTER
    last = told.stderr.decode().splitlines()[-1]
    assert "2 judged" in last and f"{len(MISSING + AFTER):,} bytes are kept in captures/" in last


@pytest.mark.parametrize(
    ("stdin", "status"),
    [
        (AFTER, 0),
        (MISSING, 1),
        (b"", 2),
        (b"quince login: \n", 2),
        (AFTER + b"[end]\n", 0),
        (AFTER + b"U1 0 0 read fail\n[end] 1\n", 2),
    ],
    ids=["clear", "fault", "nothing", "no-dump", "end-twice", "headless"],
)
def test_the_exit_status_is_that_of_the_dumps(stdin: bytes, status: int, tmp_path: Path) -> None:
    assert run(cwd=tmp_path, stdin=stdin).returncode == status


def test_documents_are_the_verdicts_own(tmp_path: Path) -> None:
    told = run("--format", "json", cwd=tmp_path, stdin=MISSING)
    document = json.loads(told.stdout)
    assert document["summary"]["site"] == "U6"
    assert document["dump"]["sha256"] == hashlib.sha256(MISSING).hexdigest()


def test_what_is_filed_has_the_bytes_and_the_times(tmp_path: Path) -> None:
    told = run("--to", "tickets", cwd=tmp_path, stdin=b"rig 4 boot rom\r\n" + MISSING + AFTER)
    assert told.returncode == 1, told.stderr
    before, after = sorted((tmp_path / "tickets" / "R-1187").iterdir())  # the dumps' own ticket
    assert (before / "dump.txt").read_bytes() == b"rig 4 boot rom\r\n" + MISSING
    assert (after / "dump.txt").read_bytes() == AFTER
    assert json.loads((after / "comparison.json").read_text())["outcome"] == "repaired"
    says = json.loads((before / "entry.json").read_text())["captured"]
    assert says["ended"] == "end" and says["from"] == "standard input"
    rows = (before / "times.csv").read_text().splitlines()
    assert rows[0] == "line,at" and len(rows) == 2 + MISSING.count(b"\n")
    times = [datetime.fromisoformat(row.split(",")[1]) for row in rows[1:]]
    assert times == sorted(times) and times[0].isoformat() <= times[-1].isoformat()
    assert rows[1].endswith(says["began"])
    for entry in (before, after):  # the times are under the sums, too
        sums = dict(reversed(x.split()) for x in (entry / "SHA256SUMS").read_text().splitlines())
        assert sums["times.csv"] == hashlib.sha256((entry / "times.csv").read_bytes()).hexdigest()
    again = run("--to", "tickets", "--ticket", "R-1187", cwd=tmp_path, stdin=AFTER)
    assert b"filed before" in again.stderr and again.returncode == 0


def test_a_dump_that_cannot_be_filed_is_judged_and_said(tmp_path: Path) -> None:
    nameless = b"\n".join(line for line in AFTER.split(b"\n") if b"R-1187" not in line)
    told = run("--to", "tickets", cwd=tmp_path, stdin=nameless + MISSING)
    assert told.returncode == 2
    assert b"DO: nothing to do" in told.stdout and b"U6 is missing" in told.stdout
    assert b"dump 1 is not filed: say which ticket with --ticket" in told.stderr
    assert len(list((tmp_path / "tickets" / "R-1187").iterdir())) == 1  # the other one


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["/dev/nowhere"], "cannot listen to /dev/nowhere: no such file or directory"),
        (["nowhere@115200"], "cannot listen to nowhere: no such file or directory"),
        (["/dev/ttyUSB0@fast"], "'fast' is no baud rate"),
        (["."], "cannot listen to .: is a directory"),
        (["-", "--ticket", "R-1"], "name the folder of tickets with --to"),
        (["-", "--ticket", "a/b", "--to", "t"], "has a path in it"),
        (["-", "--grammar", "benhc"], "there is no layout 'benhc'"),
        (["-", "--board", "nowhere.toml"], "nowhere.toml"),
        (["-", "--keep", "/dev/null/captures"], "cannot be kept in /dev/null/captures"),
    ],
)
def test_what_cannot_be_is_refused_before_it_listens(
    words: list[str], said: str, tmp_path: Path
) -> None:
    told = run(*words, cwd=tmp_path)
    assert told.returncode == 2
    assert said in told.stderr.decode(), told.stderr
    assert b"listens" not in told.stderr and b"Traceback" not in told.stderr
    assert not list(tmp_path.glob("captures/*"))


def test_without_pyserial_a_serial_line_is_read_through_a_pipe(tmp_path: Path) -> None:
    board, end = os.openpty()
    name = os.ttyname(end)
    code = (
        "import sys, importlib.util as u\n"
        "find = u.find_spec\n"
        "u.find_spec = lambda name, *more: None if name == 'serial' else find(name, *more)\n"
        "sys.argv[0] = 'memdiag'\n"
        "from memdiag.cli.main import main\n"
        "main()\n"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, "capture", f"{name}@9600"],
        cwd=tmp_path,
        env=env(tmp_path),
        capture_output=True,
        check=False,
        timeout=60,
    )
    os.close(board)
    os.close(end)
    assert told.returncode == 2
    assert b"pip install 'memdiag[capture]'" in told.stderr
    assert f"stty -F {name} 9600 raw".encode() in told.stderr


def test_ctrl_c_ends_it_and_says_what_was_kept(console: tuple[int, str], tmp_path: Path) -> None:
    board, name = console
    with listening(f"{name}@57600", "--to", "tickets", "--ticket", "R-7", cwd=tmp_path) as started:
        assert started.stdout is not None and started.stderr is not None
        send(board, MISSING)
        while b"filed as" not in started.stderr.readline():
            pass
        send(board, AFTER[:1500])
        raw = next((tmp_path / "captures").glob("*.raw"))
        while raw.stat().st_size < len(MISSING) + 1500:
            assert started.poll() is None
        os.killpg(started.pid, signal.SIGINT)
        out, err = started.communicate(timeout=60)
    assert started.returncode == 1
    said = err.decode()
    assert "the capture ended before it did" in said and "2 judged" in said
    assert str(raw.relative_to(tmp_path)) in said and "Traceback" not in said
    assert raw.read_bytes() == MISSING + AFTER[:1500]
    assert len(list((tmp_path / "tickets" / "R-7").iterdir())) == 2
    assert b"U6 is missing" in out


def test_a_capture_that_is_killed_has_kept_what_came(
    console: tuple[int, str], tmp_path: Path
) -> None:
    board, name = console
    with listening(name, cwd=tmp_path) as started:
        send(board, AFTER[:1500])
        raw = next((tmp_path / "captures").glob("*.raw"))
        times = raw.with_suffix(".times.csv")
        # The times of a piece are written after its bytes, which are what must not be lost.
        while raw.stat().st_size < 1500 or times.read_bytes().count(b"\n") < 51:
            assert started.poll() is None
        started.send_signal(signal.SIGKILL)
        started.wait(60)
    assert raw.read_bytes() == AFTER[:1500]
    assert len(times.read_text().splitlines()) - 1 == AFTER[:1500].count(b"\n") + 1


def test_a_stalled_dump_is_printed_once_and_filed_when_it_is_settled(tmp_path: Path) -> None:
    pipe = tmp_path / "console"
    os.mkfifo(pipe)
    words = ("console", "--stall", "0.3", "--to", "tickets", "--ledger", "none")
    with listening(*words, cwd=tmp_path) as started:
        assert started.stderr is not None
        with pipe.open("wb", buffering=0) as writer:
            writer.write(MISSING[:-8])
            while b"stalled" not in started.stderr.readline():
                pass
            assert not (tmp_path / "tickets").exists()
            writer.write(AFTER)
            while b"filed as" not in started.stderr.readline():
                pass
            started.send_signal(signal.SIGTERM)
            out, _ = started.communicate(timeout=60)
    assert out.count(b"WHERE: U6") == 1
    short, _ = sorted((tmp_path / "tickets" / "R-1187").iterdir())
    assert (short / "dump.txt").read_bytes() == MISSING[:-8]
    assert json.loads((short / "entry.json").read_text())["captured"]["ended"] == "stall"


def test_it_ends_after_so_many_dumps(tmp_path: Path) -> None:
    pipe = tmp_path / "console"
    os.mkfifo(pipe)
    with listening("console", "--dumps", "1", cwd=tmp_path) as started, pipe.open("wb") as writer:
        writer.write(AFTER)
        writer.flush()  # and the pipe stays open
        out, _ = started.communicate(timeout=60)
    assert started.returncode == 0 and b"DO: nothing to do" in out


def test_a_terminal_sees_that_it_listens(tmp_path: Path) -> None:
    pipe = tmp_path / "console"
    os.mkfifo(pipe)
    ours, theirs = pty.openpty()
    shown = b""
    with listening("console", cwd=tmp_path, stderr=theirs) as started:
        os.close(theirs)
        with pipe.open("wb", buffering=0) as writer:
            while b"nothing yet" not in shown:
                shown += os.read(ours, 4096)
            writer.write(AFTER[:1500])
            while b"dump 1 is coming" not in shown:
                shown += os.read(ours, 4096)
            started.send_signal(signal.SIGINT)
            while b"are kept in" not in shown:
                shown += os.read(ours, 4096)
        started.communicate(timeout=60)
    os.close(ours)
    assert b"console: listening: 1,500 bytes, " in shown
    assert b"\x1b" not in shown


def test_a_pipe_on_standard_error_sees_no_live_line(tmp_path: Path) -> None:
    told = run(cwd=tmp_path, stdin=AFTER)
    assert b"\r" not in told.stderr and b"nothing yet" not in told.stderr
