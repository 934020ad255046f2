"""Kills, races, a full disk, a database that goes and comes: nothing lost, nothing doubled."""

from __future__ import annotations

import errno
import importlib.util
import json
import os
import secrets
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from memdiag.ledger import access, folders, index
from memdiag.ledger.database import Database, address
from memdiag.ledger.entries import damaged, survey
from memdiag.ledger.errors import LedgerError
from tests.ledger.test_index import contents, opened, shop
from tests.support.database import Server, lacking
from tests.support.tickets import filed, finding, verdict

ROOT = Path(__file__).resolve().parents[2]
FEW = 3
"""Kills of each kind; `python -m tests.support.kills --times 500` does more."""


# --- kills --------------------------------------------------------------------------------------

_KILLS = """
import json, sys
from msgspec.structs import asdict
from tests.support import kills
kind, times, seed, *urls = sys.argv[1:]
print(json.dumps(asdict(kills.run(kind, int(times), iter(urls).__next__, int(seed)))))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no fork")
@pytest.mark.parametrize("kind", ["filing", "indexing", "migrating", "rebuilding"])
def test_a_kill_at_any_moment(kind: str, url: str, tmp_path: Path, request: Any) -> None:
    """Some of the moments of each kind. In a process of its own, for it forks."""
    urls = [url]
    if (
        kind == "migrating"
    ):  # each kill has an index of its own, and one is brought up to date whole
        if url.startswith("sqlite"):
            urls = [f"{url}.{n}" for n in range(FEW + 1)]
        else:
            server: Server = request.getfixturevalue("server")
            urls += [server.database(f"k{secrets.token_hex(4)}") for _ in range(FEW)]
    words = [sys.executable, "-c", _KILLS, kind, str(FEW), str(sum(map(ord, kind))), *urls]
    done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=ROOT, timeout=90)
    assert done.returncode == 0, done.stderr
    tally = json.loads(done.stdout)
    assert tally.pop("kills") == FEW and tally.pop("in_the_work") >= 1
    assert set(tally.values()) == {0}, tally


# --- many benches -------------------------------------------------------------------------------

_BENCH = """
import sys
from pathlib import Path
from memdiag.ledger import access, outcomes
from tests.support.tickets import filed, finding, verdict
root, url, bench, count = Path(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4])
for n in range(count):
    document = verdict(finding("U6", "missing", 0.9), serial=f"{bench}-{n}", replaced="U6")
    filed(root, f"R-{n % 2}", document, raw=f"{bench} {n}".encode())
    outcomes.record(root, f"R-{n % 2}", outcomes.Claim("missing", "yes", note=f"{bench} {n}"))
    notes = access.after_filing(root, url)
    assert not notes, notes
"""


def start(code: str, *arguments: object, data: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=ROOT,
        env=os.environ | {"XDG_DATA_HOME": str(data)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.long
def test_benches_and_machines_at_one_time(tmp_path: Path, url: str) -> None:
    """Two machines, each with a disk and benches of its own, on one ledger (on a file: the benches
    of one machine). The ledger is not there when they begin."""
    machines = ["left"] if url.startswith("sqlite") else ["left", "right"]
    benches = 3 if len(machines) == 1 else 2
    running = [
        start(
            _BENCH, tmp_path / machine, url, f"{machine}{n}", 4, data=tmp_path / f"{machine}-data"
        )
        for machine in machines
        for n in range(benches)
    ]
    for process in running:
        _, said = process.communicate(timeout=90)
        assert process.returncode == 0, said
    found = contents(opened(url))
    wanted = {f"{machine}{b}-{n}" for machine in machines for b in range(benches) for n in range(4)}
    assert sorted(row["serial"] for row in found["runs"]) == sorted(wanted)
    assert sorted(row["note"] for row in found["outcomes"]) == sorted(
        name.replace("-", " ") for name in wanted
    )
    # Heat is counted over all runs of a ticket, whoever filed them, in whatever order.
    heated = [row for row in found["heat"] if row["own"]]
    assert len(heated) == len(wanted)


@pytest.mark.long
def test_two_rebuilds_at_once_and_a_bench_that_files(tmp_path: Path, url: str) -> None:
    root = tmp_path / "tickets"
    shop(root, 6)
    index.catch_up(opened(url), [root])
    code = (
        "import sys; from pathlib import Path\n"
        "from memdiag.ledger.database import Database, address\n"
        "from memdiag.ledger.rebuild import rebuild\n"
        "for _ in range(2): rebuild(Database(address(sys.argv[2])), [Path(sys.argv[1])])\n"
    )
    running = [start(code, root, url, data=tmp_path / "data") for _ in range(2)]
    running.append(start(_BENCH, root, url, "bench", 4, data=tmp_path / "data"))
    for process in running:
        _, said = process.communicate(timeout=90)
        assert process.returncode == 0, said
    found = contents(opened(url))
    assert len(found["runs"]) == 12 + 4
    names = [(row["ticket"], row["entry"], row["position"]) for row in found["runs"]]
    assert len(set(names)) == len(names)


def test_what_is_filed_while_the_index_is_made_anew_is_in_it(
    tmp_path: Path, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a bench that indexes it in the old one, which then goes."""
    from memdiag.ledger import rebuild

    root = tmp_path / "tickets"
    shop(root, 2)
    index.catch_up(opened(url), [root])
    compare = rebuild._compare

    def meanwhile(*given: Any, **named: Any) -> int:
        gone = compare(*given, **named)
        filed(root, "R-9", verdict(serial="late"))
        index.catch_up(opened(url), [root])
        return gone

    monkeypatch.setattr(rebuild, "_compare", meanwhile)
    done = rebuild.rebuild(Database(address(url)), [root])
    assert done.found.entries == 5
    assert "late" in {row["serial"] for row in contents(opened(url))["runs"]}


# --- a ledger that is down ----------------------------------------------------------------------


def test_a_server_that_is_killed_and_comes_back(tmp_path: Path, data: Path) -> None:
    """Its own server: killed in the middle of filing, started again, in the middle of filing."""
    pytest.importorskip("psycopg")

    if lacking():
        pytest.skip(lacking())
    server = Server().start()
    root = tmp_path / "tickets"
    try:
        url = server.database("ledger")
        notes = []
        for n in range(9):
            if n == 3:
                server.kill()
            if n == 6:
                server.start()
            filed(root, "R-1", verdict(finding("U6", "missing", 0.9), serial=str(n)))
            notes.append(access.after_filing(root, url))
        assert [bool(said) for said in notes] == [False] * 3 + [True] * 3 + [False] * 3
        assert all(len(said) == 1 and "not in the ledger yet" in said[0] for said in notes[3:6])
        found = contents(opened(url))["runs"]
        assert sorted(row["serial"] for row in found) == [str(n) for n in range(9)]
    finally:
        server.stop()


def test_a_connection_that_is_cut_in_the_middle_of_writing(server: Server, tmp_path: Path) -> None:
    """As by an administrator, or a network: the transaction is undone, and made again."""
    root, url = tmp_path / "tickets", server.database(f"cut{secrets.token_hex(4)}")
    shop(root, 3)
    database = opened(url)
    with pytest.raises(LedgerError, match="cannot be used"), database.writing() as connection:
        connection.exec_driver_sql("INSERT INTO profile VALUES ('ab', 'x', 'y')")
        pid = connection.exec_driver_sql("SELECT pg_backend_pid()").scalar()
        with database.session() as other:
            other.exec_driver_sql(f"SELECT pg_terminate_backend({pid})")
        connection.exec_driver_sql("SELECT 1")
    with database.reading() as connection:
        assert connection.exec_driver_sql("SELECT * FROM profile").all() == []
    assert index.catch_up(database, [root]).entries == 6


DRIVER = (
    "cannot be used" if importlib.util.find_spec("psycopg") else "psycopg, which is not installed"
)


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("postgresql://bench@127.0.0.1:1/ledger", DRIVER),
        ("postgresql://bench@/ledger?host=/nowhere", DRIVER),
        ("mysql://bench/ledger", "mysql is not known"),
        ("sqlite:////dev/null/ledger.sqlite", "cannot be used"),
        ("/dev/zero", "it is no plain file"),
    ],
)
def test_no_ledger_stops_a_filing(tmp_path: Path, data: Path, url: str, said: str) -> None:
    root = tmp_path / "tickets"
    filed(root, "R-1", verdict(finding("U6", "missing", 0.9)))
    began = time.monotonic()
    notes = access.after_filing(root, url)
    assert len(notes) == 1 and said in notes[0] and "\n" not in notes[0]
    assert time.monotonic() - began < 30
    assert access.after_filing(root) == ()  # at the next chance, whatever the ledger then is
    assert len(contents(opened(str(data / "ledger.sqlite")))["runs"]) == 1


def test_without_the_library_a_filing_is_told_and_kept(tmp_path: Path) -> None:
    code = (
        "import sys; sys.modules['sqlalchemy'] = None\n"
        "from pathlib import Path; from memdiag.ledger import access\n"
        "print(*access.after_filing(Path(sys.argv[1])))\n"
    )
    process = start(code, tmp_path, data=tmp_path / "data")
    out, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
    assert out == "filed, but not in the ledger yet: sqlalchemy is not installed\n"


@pytest.mark.skipif(bool(lacking()), reason=lacking())
def test_the_driver_says_nothing_by_itself(tmp_path: Path) -> None:
    """A connection lost in the middle makes it log where nobody set a log up."""
    code = (
        "import logging; from memdiag.ledger.database import Database, address\n"
        "Database(address('postgresql://bench@/ledger'))\n"
        "logging.getLogger('psycopg').warning('error ignored terminating')\n"
    )
    process = start(code, data=tmp_path)
    assert process.communicate(timeout=60) == ("", "")


def test_a_pipe_in_the_place_of_the_index_or_the_list_hangs_nobody(
    tmp_path: Path, data: Path
) -> None:
    data.mkdir(parents=True)
    for name in (folders.LIST, "ledger.sqlite"):
        os.mkfifo(data / name)
        filed(tmp_path / "tickets", "R-1", verdict())
        (note,) = access.after_filing(tmp_path / "tickets")
        assert "not in the ledger yet" in note
        (data / name).unlink()
    assert access.after_filing(tmp_path / "tickets") == ()


# --- a full disk --------------------------------------------------------------------------------


def test_a_full_disk_leaves_the_index_as_it_was(tmp_path: Path) -> None:
    """A limit on the size of files stops the database half way, as a full disk does."""
    root, file = tmp_path / "tickets", tmp_path / "ledger.sqlite"
    shop(root, 3)
    index.catch_up(opened(str(file)), [root])
    was = contents(opened(str(file)))
    shop(root, 30, seed=3)
    size = file.stat().st_size
    code = (
        "import resource, sys; from pathlib import Path; from memdiag.ledger import access\n"
        "limit = int(sys.argv[3])\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))\n"
        "print(*access.after_filing(Path(sys.argv[1]), sys.argv[2]))\n"
    )
    process = start(code, root, file, size + 4096, data=tmp_path / "data")
    out, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
    assert "filed, but not in the ledger yet" in out and out.count("\n") == 1
    assert contents(Database(address(str(file)))) == was
    index.catch_up(opened(str(file)), [root])
    assert len(contents(opened(str(file)))["runs"]) == 3 * 2 + 30 * 2


def test_a_full_disk_leaves_no_half_outcome(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from memdiag.ledger.outcomes import Claim, record
    from memdiag.ledger.store import TicketError

    filed(tmp_path, "R-1", verdict(finding("U6", "missing", 0.9)))

    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(TicketError, match="no space left on device; nothing was filed"):
            record(tmp_path, "R-1", Claim("missing", "yes", "U6"))
    held = survey(tmp_path / "R-1")
    assert (len(held.entries), held.outcomes, held.aside) == (1, (), ())
    done = record(tmp_path, "R-1", Claim("missing", "yes", "U6"))
    assert done.fresh and damaged(survey(tmp_path / "R-1").outcomes[0]) == ()
