"""Benches killed at any moment: filing, indexing, bringing an index up to date, making it anew.

`python -m tests.support.kills --times 500` runs each kind so often on a file, and on PostgreSQL
where there is one, and prints what came of it. Children are forked from a process that has all it
needs, so that a kill falls into the work and not into the start of an interpreter.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import secrets
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import asdict

from memdiag.ledger import index, query
from memdiag.ledger.database import Database, address
from memdiag.ledger.entries import damaged, survey
from memdiag.ledger.filters import Filter
from memdiag.ledger.outcomes import Claim, record
from memdiag.ledger.rebuild import rebuild
from memdiag.model.ledger import VIEWS
from tests.support.database import Server, lacking
from tests.support.tickets import filed, finding, verdict

KINDS = ("filing", "indexing", "migrating", "rebuilding")
SLOWEST = {"filing": 0.03, "indexing": 0.12, "rebuilding": 0.25}
"""Seconds within which the kill falls; the work goes on until then. What ends by itself is timed
first."""

Contents = dict[str, list[dict[str, Any]]]


class Tally(Struct):
    """What came of the kills of one kind; everything but `kills` and `in_the_work` must be 0."""

    kills: int = 0
    in_the_work: int = 0
    lost: int = 0
    doubled: int = 0
    damaged: int = 0
    changed: int = 0

    @property
    def good(self) -> bool:
        return not (self.lost or self.doubled or self.damaged or self.changed)


def contents(database: Database) -> Contents:
    with database.reading() as connection:
        return {view: query.rows(connection, view, Filter()) for view in VIEWS}


class Bench:
    """A folder of tickets, its index, and children that are killed as they use them."""

    def __init__(self, url: str, seed: int) -> None:
        self.url, self.chance = url, random.Random(seed)
        self.root = Path(tempfile.mkdtemp(prefix="memdiag-kills-"))
        self.sure: list[str] = []  # what a child said is filed

    def database(self) -> Database:
        return Database(address(self.url))

    def whole(self, work: Callable[[Callable[[str], object]], None]) -> float:
        """Fork and let the child do its work to the end; how many seconds it took."""
        child = os.fork()
        if child == 0:
            work(lambda _: None)
            os._exit(0)
        began = time.monotonic()
        assert os.waitpid(child, 0)[1] == 0
        return time.monotonic() - began

    def kill(self, work: Callable[[Callable[[str], object]], None], slowest: float) -> bool:
        """Fork, let the child work, kill it; whether it was still at work."""
        reader, writer = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reader)
            try:
                os.write(writer, b"go\n")
                work(lambda said: os.write(writer, f"{said}\n".encode()))
                os._exit(0)
            except BaseException as wrong:
                os.write(writer, f"!{wrong!r}\n".encode()[:500])
                os._exit(1)
        os.close(writer)
        with os.fdopen(reader) as stream:
            stream.readline()
            time.sleep(self.chance.uniform(0, slowest))
            os.kill(child, signal.SIGKILL)
            said = stream.read().split("\n")[:-1]
        _, status = os.waitpid(child, 0)
        self.sure += [line for line in said if not line.startswith("!")]
        for line in said:
            if line.startswith("!"):
                raise RuntimeError(line)
        return os.WIFSIGNALED(status)

    def filing(self, say: Callable[[str], object]) -> None:
        while True:
            ticket = f"R-{secrets.randbelow(6)}"
            raw = secrets.token_bytes(3000)
            document = verdict(finding("U6", "missing", 0.9), serial=ticket)
            say(str(filed(self.root, ticket, document, raw=raw).folder))
            say(str(record(self.root, ticket, Claim("missing", note=secrets.token_hex(4))).folder))

    def indexing(self, say: Callable[[str], object]) -> None:
        while True:
            for _ in range(2):
                ticket = f"R-{secrets.randbelow(6)}"
                document = verdict(finding("U6", "missing", 0.9), replaced="U3")
                say(str(filed(self.root, ticket, document, raw=secrets.token_bytes(90)).folder))
            index.catch_up(self.database().open(), [self.root])

    def rebuilding(self, say: Callable[[str], object]) -> None:
        while True:
            rebuild(self.database(), [self.root])
            say("")


def older(database: Database) -> None:
    """An index of the first revision, with rows in it."""
    from alembic import command
    from alembic.config import Config

    from memdiag.ledger import migrations

    if database.is_file:
        database.make_room()
    with database.writing() as connection:
        config = Config(attributes={"connection": connection})
        config.set_main_option("script_location", str(Path(migrations.__file__).parent))
        config.set_main_option("path_separator", "os")
        command.upgrade(config, "0001")
        columns = "ticket, sha256, number, folder, root, bench, filed"
        values = "'R-1', 'ab', 1, '01-x', '/t', 'bench', 'Z'"
        connection.exec_driver_sql(f"INSERT INTO entry ({columns}) VALUES ({values})")
        connection.exec_driver_sql("INSERT INTO run (entry_id, position) VALUES (1, 0)")


def run(kind: str, times: int, fresh: Callable[[], str], seed: int = 1) -> Tally:
    """So many kills of one kind. `fresh` gives the URL of a ledger that is not there yet."""
    return {"migrating": _migrating}.get(kind, _working)(kind, times, fresh, seed)


def _working(kind: str, times: int, fresh: Callable[[], str], seed: int) -> Tally:
    bench, tally = Bench(fresh(), seed), Tally()
    if kind == "rebuilding":
        for n in range(6):
            filed(bench.root, f"R-{n}", verdict(finding("U6", "weak", 0.8), replaced="U1"))
        index.catch_up(bench.database().open(), [bench.root])
    was = contents(bench.database()) if kind == "rebuilding" else {}
    for _ in range(times):
        tally.kills += 1
        tally.in_the_work += bench.kill(getattr(bench, kind), SLOWEST[kind])
        if kind == "rebuilding":
            # Neither opened nor caught up: what a reader sees is the old index, or the new.
            tally.changed += contents(bench.database()) != was
    _hold_folders(bench, tally)
    index.catch_up(bench.database().open(), [bench.root])
    _hold_index(bench, tally)
    shutil.rmtree(bench.root)
    return tally


def _migrating(kind: str, times: int, fresh: Callable[[], str], seed: int) -> Tally:
    """One URL more than `times` is taken: how long it takes is measured first."""
    tally, timed = Tally(), Bench(fresh(), seed)
    older(timed.database())
    took = timed.whole(lambda _: _open(timed))
    timed.root.rmdir()
    for n in range(times):
        bench = Bench(fresh(), seed + n)
        older(bench.database())
        tally.kills += 1
        tally.in_the_work += bench.kill(lambda _, b=bench: _open(b), took)
        found = contents(bench.database().open())
        tally.lost += [row["ticket"] for row in found["tickets"]] != ["R-1"]
        bench.root.rmdir()
    return tally


def _open(bench: Bench) -> None:
    bench.database().open()


def _folders(root: Path) -> Iterator[Any]:
    for home in sorted(root.iterdir()):
        held = survey(home)
        yield from held.folders
        yield from held.aside


def _hold_folders(bench: Bench, tally: Tally) -> None:
    """Whatever was said to be filed is there, whole, and nothing is there that is half."""
    found = list(_folders(bench.root))
    whole = {str(one.folder) for one in found if not isinstance(one, str)}
    tally.lost += len([name for name in bench.sure if name and name not in whole])
    for one in found:
        tally.damaged += isinstance(one, str) or damaged(one) != ()


def _hold_index(bench: Bench, tally: Tally) -> None:
    """The index says what one says that is made anew from the folders."""
    found = contents(bench.database())
    for view in ("runs", "outcomes"):
        names = Counter((row["ticket"], row["entry"]) for row in found[view])
        tally.doubled += sum(n - 1 for n in names.values())
    there = [one for one in _folders(bench.root) if not isinstance(one, str)]
    tally.lost += max(len(there) - len(found["runs"]) - len(found["outcomes"]), 0)
    rebuild(bench.database(), [bench.root])
    tally.changed += contents(bench.database()) != found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=500, help="kills of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--file-only", action="store_true")
    given = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="memdiag-kills-"))
    places: dict[str, Callable[[], str]] = {
        "file": lambda: str(folder / secrets.token_hex(6) / "ledger.sqlite")
    }
    server = None
    if not given.file_only and not lacking():
        server = Server().start()
        place = server
        places["PostgreSQL"] = lambda: place.database(f"k{secrets.token_hex(6)}")
    good = True
    try:
        for name, fresh in places.items():
            for kind in KINDS:
                began = time.monotonic()
                tally = run(kind, given.times, fresh, given.seed)
                took = time.monotonic() - began
                print(json.dumps({"on": name, "kind": kind, **asdict(tally), "s": round(took)}))
                sys.stdout.flush()
                good = good and tally.good
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if server is not None:
            server.stop()
    return int(not good)


if __name__ == "__main__":
    sys.exit(main())
