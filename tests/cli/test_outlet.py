"""Where output goes: text through one gate, files where they were meant to go, and nothing else."""

from __future__ import annotations

import ast
import os
import pty
import re
import select
import shutil
import socket
import stat
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from memdiag.cli import main
from tests.reports.test_gate import is_obeyed
from tests.support.alone import alone

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "samples" / "missing-package.dump"
BEFORE, AFTER = str(SAMPLE), str(ROOT / "samples" / "after-swap.dump")

BUFFERED = ("", "1")  # as Python does by itself, and as containers often tell it not to

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Runs a command in an empty folder of its own: exit status, standard output and error."""
    monkeypatch.chdir(tmp_path)

    def ran(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["memdiag", *words])
        with pytest.raises(SystemExit) as stop, alone() as asked:
            main.main()
        assert not asked, "no command opens a connection or starts a program"
        return (int(stop.value.code or 0), *capsys.readouterr())

    return ran


def outside(*words: str, **how: object) -> subprocess.CompletedProcess[bytes]:
    """A command in a process of its own, for what only real streams show."""
    command = [sys.executable, "-m", "memdiag", *words]
    return subprocess.run(command, cwd=ROOT, check=False, timeout=60, **how)  # type: ignore[call-overload,no-any-return]


# ---- nothing but text, and through one gate ----


def test_nothing_else_writes_to_the_standard_streams() -> None:
    """A new command says what it says through `outlet`; a bar of progress is the one exception, for
    it moves the cursor and holds no text of anybody's."""
    wrong = []
    for path in (ROOT / "memdiag").rglob("*.py"):
        if path.name == "outlet.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                if called in ("print", "click.echo", "click.secho", "click.echo_via_pager") or (
                    re.search(r"std(out|err)(\.buffer)?\.write|wrong\.show$", called)
                    and not any(key.arg == "file" for key in node.keywords)
                ):
                    wrong.append(f"{path.name}:{node.lineno}: {called}")
    assert not wrong


ESCAPE = "\\u001b[31m\\u009b2J\\u202e"  # as TOML and JSON write it
PROFILE = (
    f'board = "bad{ESCAPE}"\ntitle = "t{ESCAPE}"\n[[rail]]\nname = "V{ESCAPE}"\n'
    f'[[site]]\nref = "U{ESCAPE}"\nrails = ["V{ESCAPE}"]\npartition = "P{ESCAPE}"\n'
    "links = [{channel = 0, lanes = [0, 1]}]\nx = 1\ny = 1\nsize = [1, 1]\n"
)
RAW = "\x1b[31m\x9b2J\u202e"
GRAMMAR = (
    f"// layout: bad{RAW}\n// about: {RAW}\n// recognise: ^{RAW}\n"
    'start: training_row\ntraining_row: "x" SITE STEP RESULT\n'
    "%import memdiag (SITE, STEP, RESULT)\n"
)


@pytest.mark.parametrize(
    "words",
    [
        "board list",
        "board list --format json",
        "board check P",
        "board draw P",
        "board draw P --mark N",
        "board check N",
        "verdict D --board P",
        "verdict D --board P --format json",
        "verdict D --board P --format csv",
        "verdict D --board P --format markdown",
        "verdict D --board P --format html",
        "read D --board P",
        "compare D D --board P --any-order",
        "case D D --board P --any-order --format markdown",
        "rails V=3 --board P",
        "soak --below 1e-12 --site N --board P",
        "baseline P D",
        "verdict N",
        "verdict --board N D",
        "verdict --shop N D",
        "verdict --shop S D",
        "verdict --grammar N D",
        "verdict --N D",
        "N",
        "verdict --format N D",
        "verdict D -o N/x",
        "grammar list",
        "grammar check G",
        "grammar check G D",
        "grammar show G",
        "grammar show N",
        "attach D --ticket N --to tickets",
        "attach D --ticket R-1 --to N",
        "case --ticket N",
        "ledger show N",
        "ledger list --folder N",
        "ledger list --ledger N",
        "ledger outcome N --was missing",
        "sample N",
    ],
)
def test_no_name_in_any_file_moves_the_cursor(
    words: str, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = f"n{RAW}"
    boards = tmp_path / f"boards{RAW}"
    boards.mkdir()
    profile, grammar = boards / "p.toml", tmp_path / f"g{RAW}.lark"
    profile.write_text(PROFILE, encoding="utf-8")
    grammar.write_text(GRAMMAR, encoding="utf-8")
    dump, shop = tmp_path / f"d{RAW}.dump", tmp_path / f"s{RAW}.toml"
    dump.write_text(
        f"bench-dump 1\n[run]\nboard bad{RAW}\nid {RAW}\nnote {RAW}\n[training]\n"
        f"site ch lane step result\nU{RAW} 0 0 read fail\nU{RAW} 0 1 read {RAW}\n{RAW}\n[end] 2\n",
        encoding="utf-8",
    )
    shop.write_text(f'[words.result]\n"a{ESCAPE}" = "b{ESCAPE}"\n', encoding="utf-8")
    monkeypatch.setenv("MEMDIAG_BOARDS", str(boards))
    monkeypatch.setenv("MEMDIAG_GRAMMARS", str(tmp_path))
    given = {"P": profile, "G": grammar, "D": dump, "S": shop}
    said = [str(given[w]) if w in given else w.replace("N", name) for w in words.split()]
    _, out, err = run(*said)
    assert out + err
    assert "a fault in memdiag itself" not in err
    assert not [c for c in out + err if is_obeyed(c)]


def test_a_filed_ticket_holds_nothing_that_is_obeyed_but_the_dump_itself(
    run: Run, tmp_path: Path
) -> None:
    text = SAMPLE.read_text(encoding="utf-8").replace("[training]", f"note a{RAW}\n[training]", 1)
    (tmp_path / "d.dump").write_text(text, encoding="utf-8")
    status, out, _ = run("attach", "d.dump", "--ticket", "R-1", "--to", "tickets")
    assert status == 1
    for path in Path(out.strip()).iterdir():
        if path.name != "dump.txt":
            assert not [c for c in path.read_text(encoding="utf-8") if is_obeyed(c)], path.name


def test_what_a_stream_cannot_spell_is_spelt_out() -> None:
    how = {"capture_output": True, "env": {**os.environ, "PYTHONIOENCODING": "ascii"}}
    told = outside("verdict", "--board", "quïnce", BEFORE, **how)
    assert told.returncode == 2
    assert b"qu\\xefnce" in told.stderr


# ---- -o ----


@pytest.fixture
def node(tmp_path: Path) -> Callable[[str], str]:
    """A device. Root, who could replace the system's own by a file were our guard broken, gets one
    of the same kind in a folder of the test."""

    def made(name: str) -> str:
        real = Path("/dev") / name
        if not real.exists():
            pytest.skip(f"this system has no {real}")
        if os.geteuid() != 0:
            return str(real)
        try:
            os.mknod(tmp_path / name, stat.S_IFCHR | 0o666, real.stat().st_rdev)
            with (tmp_path / name).open("rb"):
                return str(tmp_path / name)
        except OSError as wrong:
            pytest.skip(f"no device can be made here: {wrong}")

    return made


def page(run: Run) -> str:
    return run("verdict", BEFORE)[1]


def test_a_link_keeps_leading_where_it_led(run: Run, tmp_path: Path) -> None:
    shown = page(run)
    (tmp_path / "far").mkdir()
    for target in (tmp_path / "far" / "real.txt", tmp_path / "far" / "new.txt"):
        link = tmp_path / f"link-to-{target.name}"
        link.symlink_to(target)
        if target.name == "real.txt":
            target.write_text("old")
        assert run("verdict", BEFORE, "-o", str(link))[0] == 1
        assert link.is_symlink()
        assert target.read_text(encoding="utf-8") == shown
    assert sorted(p.name for p in (tmp_path / "far").iterdir()) == ["new.txt", "real.txt"]


@pytest.mark.parametrize("mode", [0o600, 0o640, 0o644, 0o666])
def test_a_file_keeps_its_mode(mode: int, run: Run, tmp_path: Path) -> None:
    target = tmp_path / "page.txt"
    target.write_text("old")
    target.chmod(mode)
    run("verdict", BEFORE, "-o", str(target))
    assert target.read_text(encoding="utf-8").startswith("WHERE")
    assert stat.S_IMODE(target.stat().st_mode) == mode


@pytest.mark.parametrize("mask", [0o022, 0o077])
def test_a_new_file_has_the_mode_that_the_user_wants(mask: int, run: Run, tmp_path: Path) -> None:
    before = os.umask(mask)
    try:
        run("verdict", BEFORE, "-o", "page.txt")
        assert os.umask(mask) == mask
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "page.txt").stat().st_mode) == 0o666 & ~mask


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is read-only to root")
def test_a_file_that_is_read_only_stays(run: Run, tmp_path: Path) -> None:
    (tmp_path / "page.txt").write_text("old")
    (tmp_path / "page.txt").chmod(0o444)
    status, _, err = run("verdict", BEFORE, "-o", "page.txt")
    assert status == 2 and "permission denied" in err
    assert (tmp_path / "page.txt").read_text() == "old"


def test_what_is_in_the_making_has_a_name_that_nobody_guesses(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = []
    replace = Path.replace

    def seen(partial: Path, target: Path) -> Path:
        made.append(partial)
        assert stat.S_IMODE(partial.stat().st_mode) & 0o077 == 0  # as that of the target
        return replace(partial, target)

    monkeypatch.setattr(Path, "replace", seen)
    (tmp_path / "page.txt").touch(0o600)
    for _ in range(2):
        run("verdict", BEFORE, "-o", "page.txt")
    assert made[0].name != made[1].name
    assert all(str(os.getpid()) != p.name.split(".")[-2] for p in made)
    assert {p.parent for p in made} == {tmp_path}
    assert [p.name for p in tmp_path.iterdir()] == ["page.txt"]


@pytest.mark.parametrize("name", ["/dev/stdout", "/dev/fd/1", "/proc/self/fd/1"])
@pytest.mark.parametrize("way", ["pipe", "file"])
def test_standard_output_by_another_name(name: str, way: str, tmp_path: Path) -> None:
    """What a shell has written to the same file before stays where it is."""
    if not Path(name).exists():
        pytest.skip(f"this system has no {name}")
    link = tmp_path / "link"  # it is what a broken guard would replace
    link.symlink_to(name)
    if way == "pipe":
        told = outside("verdict", BEFORE, "-o", str(link), stdout=subprocess.PIPE)
        shown = told.stdout
    else:
        with (tmp_path / "out").open("wb") as file:
            file.write(b"before\n")
            file.flush()
            outside("verdict", BEFORE, "-o", str(link), stdout=file)
        before, _, shown = (tmp_path / "out").read_bytes().partition(b"\n")
        assert before == b"before"
    assert shown.startswith(b"WHERE")
    assert link.is_symlink()


def test_a_device_is_written_through(run: Run, node: Callable[[str], str]) -> None:
    device = node("null")
    assert run("verdict", BEFORE, "-o", device)[0] == 1
    assert stat.S_ISCHR(Path(device).stat().st_mode)
    ours, theirs = pty.openpty()
    try:
        drawn = b""
        status = run("soak", "--below", "1e-12", "-o", os.ttyname(theirs))[0]
        while select.select([ours], [], [], 0.5)[0]:
            drawn += os.read(ours, 65536)
    finally:
        os.close(ours)
        os.close(theirs)
    assert status == 0 and b"bits" in drawn


def test_a_pipe_is_written_through(run: Run, tmp_path: Path) -> None:
    shown = page(run)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    read: list[str] = []
    told = threading.Thread(
        target=lambda: read.append(pipe.read_text(encoding="utf-8")), daemon=True
    )
    told.start()
    status = run("verdict", BEFORE, "-o", str(pipe))[0]
    told.join(30)
    assert status == 1 and read == [shown]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
@pytest.mark.parametrize("buffered", BUFFERED)
@pytest.mark.parametrize("words", ["verdict", "board list", "grammar list", "sample", "soak"])
def test_a_full_disk_is_said(words: str, buffered: str) -> None:
    more = {"verdict": [BEFORE], "soak": ["--below", "1e-12"]}.get(words, [])
    how = {"env": {**os.environ, "PYTHONUNBUFFERED": buffered}, "stderr": subprocess.PIPE}
    with Path("/dev/full").open("wb") as full:
        told = outside(*words.split(), *more, stdout=full, **how)
    assert told.returncode == 2
    last = told.stderr.decode().splitlines()[-1]
    assert last == "Error: cannot write to standard output: no space left on device"


@pytest.mark.parametrize("buffered", BUFFERED)
def test_a_disk_that_fills_up_on_the_way_is_said(buffered: str, tmp_path: Path) -> None:
    """The system takes what fits and says how much that was; the next piece is the error."""
    words = f"'{sys.executable}' -m memdiag verdict '{BEFORE}' --format json"
    told = subprocess.run(
        ["sh", "-c", f"ulimit -f 1; {words} > {tmp_path / 'out'}"],
        cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": buffered},
        stderr=subprocess.PIPE,
        check=False,
        timeout=60,
    )
    assert 0 < (tmp_path / "out").stat().st_size <= 1024
    assert told.returncode == 2
    assert (
        told.stderr.decode().splitlines()[-1].startswith("Error: cannot write to standard output")
    )


def test_a_full_disk_is_said_of_a_file_and_standard_error_is_not_needed(
    node: Callable[[str], str],
) -> None:
    full = node("full")
    told = outside("verdict", BEFORE, "-o", full, stderr=subprocess.PIPE)
    assert told.returncode == 2
    assert f"cannot write {full}: no space left on device" in told.stderr.decode()
    with Path(full).open("wb") as stream:
        told = outside("verdict", BEFORE, "nowhere", stdout=subprocess.PIPE, stderr=stream)
    assert told.returncode == 2


@pytest.mark.parametrize("words", ["soak --below 1e-12", "verdict samples/healthy.dump", "sample"])
def test_a_stream_that_is_closed_is_said(words: str) -> None:
    command = f'"{sys.executable}" -m memdiag {words} >&-'
    told = subprocess.run(
        ["sh", "-c", command], cwd=ROOT, stderr=subprocess.PIPE, check=False, timeout=60
    )
    assert told.returncode == 2
    assert b"cannot write to standard output: it is closed" in told.stderr


# ---- no document of what is no number ----


@pytest.mark.parametrize(
    "words",
    [
        "soak --below 1e-320",
        "soak --below 1e-12 --confidence 1e-320",
        "soak --below 1e-12 --line-rate 1e-300Gbit/s",
        "soak --below 1e-12 --line-rate 1bit/s --share 1e-320",
        "soak --line-rate 14Gbit/s --took 1e300d",
        "rails V=3 --volts nan",
        "rails V=3 --volts inf",
        "rails V=3 --volts 0",
        "compare B A --confidence 1e-320",
    ],
)
def test_an_option_out_of_its_range_is_named(words: str, run: Run) -> None:
    said = [{"A": AFTER, "B": BEFORE}.get(word, word) for word in words.split()]
    status, out, err = run(*said, "--format", "json")
    assert status == 2 and out == ""
    assert f"Invalid value for '{said[-2]}'" in err


# ---- an input is no output ----


def test_an_input_is_not_written_over(run: Run, tmp_path: Path) -> None:
    dumps = tmp_path / "dumps"
    dumps.mkdir()
    for name in ("a.dump", "b.dump"):
        shutil.copy(SAMPLE, dumps / name)
    (tmp_path / "link").symlink_to(dumps / "a.dump")
    (tmp_path / "hard").hardlink_to(dumps / "a.dump")
    shutil.copy(ROOT / "samples/boards/quince-12.toml", tmp_path / "q.toml")
    (tmp_path / "shop.toml").write_text("[costs]\nreplace = 70\n")
    shutil.copy(ROOT / "grammars/bench.lark", tmp_path / "g.lark")
    run("attach", BEFORE, "--ticket", "R-1", "--to", "tickets")
    (filed,) = (tmp_path / "tickets" / "R-1").glob("01-*")
    a, good = str(dumps / "a.dump"), str(tmp_path / "good.dump")
    shutil.copy(ROOT / "samples/good-boards.dump", good)
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    for words, output in (
        (("verdict", a), a),
        (("verdict", a), "dumps/../dumps/a.dump"),
        (("verdict", a), "link"),
        (("verdict", "link"), a),
        (("verdict", a), "hard"),
        (("verdict", AFTER, a), a),
        (("read", "dumps"), "dumps/b.dump"),
        (("compare", a, AFTER), a),
        (("case", a, AFTER), a),
        (("case", "--ticket", "R-1"), str(filed / "dump.txt")),
        (("verdict", a, "--board", "q.toml"), "q.toml"),
        (("verdict", a, "--shop", "shop.toml"), "shop.toml"),
        (("verdict", a, "--grammar", "g.lark"), "g.lark"),
        (("board", "check", "q.toml"), "q.toml"),
        (("board", "draw", "q.toml"), "q.toml"),
        (("baseline", "quince-8", good), good),
    ):
        status, _, err = run(*words, "-o", output)
        assert status == 2, (words, output)
        assert "is an input: name another file with -o" in err, (words, output, err)
        assert {p: p.read_bytes() for p in before} == before
    assert run("verdict", a, "-o", "dumps/new.txt")[0] == 1  # beside them is no input


def test_standard_input_is_an_input(tmp_path: Path) -> None:
    dump = tmp_path / "a.dump"
    shutil.copy(SAMPLE, dump)
    with dump.open("rb") as pasted:
        told = outside("verdict", "-o", str(dump), stdin=pasted, stderr=subprocess.PIPE)
    assert told.returncode == 2 and b"is an input" in told.stderr
    assert dump.read_bytes() == SAMPLE.read_bytes()


def test_a_profile_may_learn_in_its_place(run: Run, tmp_path: Path) -> None:
    profile = tmp_path / "q8.toml"
    shutil.copy(ROOT / "samples/boards/quince-8.toml", profile)
    good = str(ROOT / "samples/good-boards.dump")
    assert run("baseline", str(profile), good, "-o", str(profile))[0] == 0
    assert "[baseline]" in profile.read_text(encoding="utf-8")


# ---- nothing leaves the machine ----


def test_the_ear_hears_a_connection_and_a_program() -> None:
    with alone() as asked:
        socket.socket().close()
        subprocess.run([sys.executable, "-c", ""], check=True)
    assert any(event.startswith("socket.") for event in asked)
    assert any(event.startswith(("subprocess.", "os.")) for event in asked)


def test_every_command_is_asked() -> None:
    """Those of the goldens and those of this file, each run with an ear on it."""
    from tests.cli.test_commands import CASES

    here = Path(__file__).read_text(encoding="utf-8")
    for name in main.app.list_commands(None):  # type: ignore[arg-type]
        known = any(case.words.split()[0] == name for case in CASES.values())
        assert known or f'"{name}' in here, name
