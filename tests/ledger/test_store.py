"""Filing on disk: whole or not at all, whatever happens; never twice, never over another."""

from __future__ import annotations

import errno
import hashlib
import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.ledger import store
from memdiag.ledger.entries import Survey, damaged
from memdiag.ledger.store import TicketError, check_id, entries, file_entry
from tests.support.marks import examples

DUMP = b"bench-dump 1\r\n[run]\nid  morning\n\xff\x00[end] 0\n"


def make(before: Survey) -> Mapping[str, bytes]:
    """What the tests file beside the dump: it says what was there before."""
    return {
        "verdict.md": b"nothing to do\n",
        "before.txt": "".join(f"{e.folder.name}\n" for e in before.entries).encode(),
    }


def tree(root: Path) -> dict[str, bytes]:
    return {str(p.relative_to(root)): p.read_bytes() for p in root.rglob("*") if p.is_file()}


def hidden(root: Path) -> list[str]:
    return [p.name for p in root.iterdir() if p.name.startswith(".")]


# --- what is filed ------------------------------------------------------------------------------


def test_the_dump_is_filed_byte_for_byte_with_its_hash(tmp_path: Path) -> None:
    filed = file_entry(tmp_path, "R-2041", DUMP, "intake", make)
    assert filed.fresh and filed.entry.folder.parent == tmp_path / "R-2041"
    assert (filed.entry.folder / "dump.txt").read_bytes() == DUMP
    assert (
        filed.entry.sha256
        == hashlib.sha256(DUMP).hexdigest()
        in (filed.entry.folder / "SHA256SUMS").read_text()
    )
    assert filed.entry.folder.name == f"01-intake-{filed.entry.sha256[:12]}"
    assert damaged(filed.entry) == () and hidden(tmp_path) == []


def test_the_sums_are_checked_by_the_system_s_own_tool(tmp_path: Path) -> None:
    # GNU coreutils' sha256sum is the outside judge of the list's form.
    entry = file_entry(tmp_path, "R-2041", DUMP, "intake", make).entry
    try:
        done = subprocess.run(
            ["sha256sum", "-c", "--strict", "SHA256SUMS"],
            cwd=entry.folder,
            capture_output=True,
            check=False,
        )
    except FileNotFoundError:
        pytest.skip("no sha256sum on this system")
    assert done.returncode == 0 and done.stdout.count(b": OK") == 3


def test_the_same_dump_again_changes_nothing(tmp_path: Path) -> None:
    first = file_entry(tmp_path, "R-2041", DUMP, "intake", make)
    was = tree(tmp_path)
    times = {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*")}
    again = file_entry(tmp_path, "R-2041", DUMP, "final", make)
    assert (again.fresh, again.entry) == (False, first.entry)
    assert tree(tmp_path) == was
    assert {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*")} == times


def test_a_later_dump_stands_beside_the_earlier_which_stays_as_it_was(tmp_path: Path) -> None:
    first = file_entry(tmp_path, "R-2041", DUMP, "intake", make)
    was = tree(first.entry.folder)
    second = file_entry(tmp_path, "R-2041", DUMP + b"#", "After swap!", make)
    assert second.entry.folder.name.startswith("02-after-swap-")
    assert (second.entry.folder / "before.txt").read_text().split() == [first.entry.folder.name]
    assert tree(first.entry.folder) == was
    assert [e.number for e in entries(tmp_path, "R-2041")] == [1, 2]
    assert entries(tmp_path, "R-2042") == ()


def test_a_changed_dump_is_noticed(tmp_path: Path) -> None:
    entry = file_entry(tmp_path, "R-2041", DUMP, "intake", make).entry
    assert entry.dump() == DUMP
    (entry.folder / "dump.txt").write_bytes(DUMP + b" ")
    assert entry.dump() is None and damaged(entry) == ("dump.txt",)


# --- the ticket id cannot leave the folder ------------------------------------------------------


@pytest.mark.parametrize(
    ("ticket", "said"),
    [
        ("", "is empty"),
        ("  ", "is empty"),
        ("../R-2041", "has a path in it"),
        ("/etc/cron.d/x", "has a path in it"),
        ("..", "has a path in it"),
        ("a\\b", "has a path in it"),
        ("C:R-2041", "has ':' in it"),
        (".hidden", "must begin with a letter or digit"),
        ("-rf", "must begin with a letter or digit"),
        ("R-2041.", "must not end with a dot"),
        ("R 2041", "has ' ' in it"),
        ("R\n2041", "has '\\n' in it"),
        ("R\x002041", "in it"),
        ("R\u202e1402", "in it"),
        ("nul", "device name"),
        ("COM1.txt", "device name"),
        ("9" * 101, "too long"),
    ],
)
def test_a_ticket_id_that_is_no_plain_name_is_refused(
    tmp_path: Path, ticket: str, said: str
) -> None:
    with pytest.raises(TicketError) as caught:
        file_entry(tmp_path, ticket, DUMP, "intake", make)
    assert said in str(caught.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("ticket", ["R-2041", "2024_0117", "Äpfel-7", "T#12+a", "a.b"])
def test_usual_ticket_ids_are_taken(ticket: str) -> None:
    assert check_id(ticket) == ticket


@settings(max_examples=examples(200), deadline=None)
@given(st.text(max_size=30), st.text(max_size=60))
def test_no_ticket_and_no_stage_leaves_the_folder(ticket: str, stage: str) -> None:
    try:
        name = check_id(ticket)
    except TicketError:
        return
    root = Path("/srv/tickets")
    assert Path(os.path.normpath(root / name)).parent == root
    slug = store._slug(stage)
    assert slug and set(slug) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


def test_a_ticket_that_is_a_link_to_elsewhere_is_refused(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    root = tmp_path / "tickets"
    root.mkdir()
    (root / "R-2041").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(TicketError, match="no folder of its own"):
        file_entry(root, "R-2041", DUMP, "intake", make)
    assert list((tmp_path / "elsewhere").iterdir()) == []


# --- what can go wrong --------------------------------------------------------------------------


@pytest.mark.parametrize("step", range(1, 12))
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
def test_a_failure_at_any_step_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int, code: int
) -> None:
    """Each call that touches the disk fails in its turn; what was filed before stays."""
    file_entry(tmp_path, "R-2041", DUMP, "intake", make)
    was = tree(tmp_path)
    count = 0

    def failing(call: object) -> object:
        def wrapped(*args: object, **kwargs: object) -> object:
            nonlocal count
            count += 1
            if count == step:
                raise OSError(code, os.strerror(code))
            return call(*args, **kwargs)  # type: ignore[operator]

        return wrapped

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", failing(os.fsync))
        patch.setattr(Path, "rename", failing(Path.rename))
        patch.setattr(Path, "mkdir", failing(Path.mkdir))
        patch.setattr(Path, "open", failing(Path.open))
        try:
            filed = file_entry(tmp_path, "R-2041", DUMP + b"2", "final", make)
        except TicketError as wrong:
            assert "nothing was filed" in str(wrong)
            assert tree(tmp_path) == was and hidden(tmp_path) == []
        else:
            assert filed.fresh and damaged(filed.entry) == ()
            assert step > 8  # only the syncs after the rename may fail unnoticed
    assert file_entry(tmp_path, "R-2041", DUMP + b"2", "final", make).entry.number == 2


@pytest.mark.skipif(sys.platform == "win32", reason="no resource limits")
def test_a_full_disk_leaves_nothing(tmp_path: Path) -> None:
    """A limit on the size of files stops the write half way, as a full disk does."""
    script = (
        "import resource, sys; from pathlib import Path\n"
        "from memdiag.ledger.store import *\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))\n"
        "try:\n"
        "    file_entry(Path(sys.argv[1]), 'R-1', b'x' * 100, 'intake',"
        " lambda b: {'verdict.html': b'y' * 9000})\n"
        "except TicketError as wrong:\n"
        "    print(wrong)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert "nothing was filed" in done.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("folder", "said"), [("none/such", "make the folder first"), ("file", "name a folder")]
)
def test_a_folder_that_is_none_is_said(tmp_path: Path, folder: str, said: str) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(TicketError, match=said):
        file_entry(tmp_path / folder, "R-2041", DUMP, "intake", make)


def test_a_folder_without_the_right_to_write_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(
        TicketError, match="permission denied; nothing was filed, ask for the right"
    ):
        file_entry(tmp_path, "R-2041", DUMP, "intake", make)


def test_without_locks_entries_are_still_kept_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fcntl

    def none(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", none)
    abandoned = tmp_path / "R-2041" / (store.STAGING + "another-bench-at-work")
    abandoned.mkdir(parents=True)
    with ThreadPoolExecutor(4) as pool:
        filed = list(
            pool.map(
                lambda n: file_entry(tmp_path, "R-2041", DUMP + b"%d" % n, "x", make), range(8)
            )
        )
    assert len({f.entry.folder for f in filed}) == 8
    assert all(damaged(e) == () for e in entries(tmp_path, "R-2041"))
    assert abandoned.is_dir()  # it may be in use: nobody knows without a lock
    old = time.time() - 2 * store.STALE
    os.utime(abandoned, (old, old))
    file_entry(tmp_path, "R-2041", DUMP, "x", make)
    assert not abandoned.exists()


def test_a_bench_that_never_lets_go_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fcntl

    monkeypatch.setattr(store, "WAIT", 0.1)
    (tmp_path / "R-2041").mkdir()
    handle = os.open(tmp_path / "R-2041", os.O_RDONLY)
    fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        with pytest.raises(TicketError, match="another bench"):
            file_entry(tmp_path, "R-2041", DUMP, "intake", make)
        assert file_entry(tmp_path, "R-2042", DUMP, "intake", make).fresh  # waits for nobody
    finally:
        os.close(handle)
    assert file_entry(tmp_path, "R-2041", DUMP, "intake", make).fresh


_FILER = """
import sys
from pathlib import Path
from memdiag.ledger.store import file_entry
root, bench, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
print("go", flush=True)
for n in range(count):
    raw = f"bench-dump 1 {bench} {n}".encode() * 200
    file_entry(root, f"R-{n % 2}", raw, "intake",
               lambda before: {f"v{i}.txt": b"z" * 5000 for i in range(6)})
"""


def start(root: Path, bench: str, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", _FILER, str(root), bench, str(count)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_benches_that_file_at_one_time_lose_nothing(tmp_path: Path) -> None:
    benches = [start(tmp_path, name, 6) for name in ("left", "right", "door")]
    for bench in benches:
        _, said = bench.communicate(timeout=60)
        assert bench.returncode == 0, said
    for ticket in ("R-0", "R-1"):
        filed = entries(tmp_path, ticket)
        assert [e.number for e in filed] == list(range(1, 10))
        assert all(damaged(e) == () for e in filed)
    assert hidden(tmp_path) == []


def test_a_kill_at_any_moment_leaves_whole_entries_only(tmp_path: Path) -> None:
    chance = random.Random(20260)
    for n in range(12):
        bench = start(tmp_path, f"killed-{n}", 10_000)
        assert bench.stdout is not None and bench.stdout.readline() == "go\n"
        already, until = len(entries(tmp_path, "R-0")), time.monotonic() + 20
        while n % 2 and len(entries(tmp_path, "R-0")) == already and time.monotonic() < until:
            time.sleep(0.005)  # a slow machine gets as far as an entry in every second round
        time.sleep(chance.uniform(0, 0.05))
        bench.kill()
        bench.communicate()
        assert hidden(tmp_path) == []
        for ticket in tmp_path.iterdir():
            left = {p.name for p in ticket.iterdir() if p.name.startswith(store.STAGING)}
            names = sorted({p.name for p in ticket.iterdir()} - left)
            filed = entries(tmp_path, ticket.name)
            assert [e.folder.name for e in filed] == names  # nothing there that is no entry
            assert all(damaged(e) == () for e in filed)
    assert entries(tmp_path, "R-0"), "no entry was ever finished: the kills came too early"
    file_entry(tmp_path, "R-0", DUMP, "intake", make)
    assert hidden(tmp_path / "R-0") == []


def test_a_bench_that_fails_does_not_take_the_folder_from_one_that_waits(tmp_path: Path) -> None:
    """The first filing to a new ticket fails and takes its empty folder away; another bench has
    been waiting for that very folder."""
    inside = threading.Event()

    def fails(_before: Survey) -> Mapping[str, bytes]:
        inside.set()
        time.sleep(0.2)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with ThreadPoolExecutor(3) as pool:
        first = pool.submit(file_entry, tmp_path, "R-1", DUMP, "intake", fails)
        inside.wait(10)
        others = [
            pool.submit(file_entry, tmp_path, "R-1", DUMP + b"%d" % n, "final", make)
            for n in range(2)
        ]
        with pytest.raises(TicketError, match="nothing was filed"):
            first.result(30)
        assert [other.result(30).fresh for other in others] == [True, True]
    assert [e.number for e in entries(tmp_path, "R-1")] == [1, 2]


def test_a_filing_that_fails_leaves_no_empty_ticket(tmp_path: Path) -> None:
    def fails(_before: Survey) -> Mapping[str, bytes]:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with pytest.raises(TicketError):
        file_entry(tmp_path, "R-1", DUMP, "intake", fails)
    assert list(tmp_path.iterdir()) == []
