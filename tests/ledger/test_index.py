"""The index says what the folders say, however it came about, and can be made anew from them."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from memdiag.ledger import index, query
from memdiag.ledger.database import Database, address
from memdiag.ledger.errors import LedgerError
from memdiag.ledger.filters import Filter, day
from memdiag.ledger.outcomes import Claim, record
from memdiag.ledger.rebuild import rebuild
from memdiag.ledger.tables import REVISION, metadata
from memdiag.model.ledger import VIEWS
from memdiag.reports.ledger_frame import view_frame
from tests.support.tickets import filed, finding, verdict

NAMES = tuple(VIEWS)


def opened(url: str) -> Database:
    return Database(address(url)).open()


def shop(root: Path, tickets: int = 12, seed: int = 7) -> None:
    """Some months of a bench: faults of several kinds, repairs, outcomes."""
    chance = random.Random(seed)
    causes = ("missing", "weak", "joint")
    for n in range(tickets):
        site, cause = f"U{chance.randint(1, 12)}", chance.choice(causes)
        head = {"serial": f"FC-{n:04d}", "ticket": f"R-{n}"}
        at = f"2031-03-{n % 27 + 1:02d}T09:00:00+01:00"
        filed(
            root,
            f"R-{n}",
            verdict(finding(site, cause, chance.uniform(0.5, 0.999)), at=at, id="a", **head),
        )
        after = {"at": at.replace("T09", "T15"), "id": "b", "stage": "after-swap"} | head
        filed(root, f"R-{n}", verdict(replaced=site, **after))
        if n % 3:
            record(root, f"R-{n}", Claim(cause, "yes", site))


def contents(database: Database, but: tuple[str, ...] = ()) -> dict[str, list[dict[str, Any]]]:
    """Every view, in order."""
    with database.reading() as connection:
        found = {view: query.rows(connection, view, Filter()) for view in NAMES}
    return {
        view: [{k: v for k, v in row.items() if k not in but} for row in rows]
        for view, rows in found.items()
    }


# --- what is indexed ----------------------------------------------------------------------------


def test_the_migrations_make_the_tables_that_the_code_uses(url: str) -> None:
    database = opened(url)
    with database.reading() as connection:
        found = compare_metadata(MigrationContext.configure(connection), metadata)
        views = sa.inspect(connection).get_view_names()
    assert found == [] and sorted(views) == sorted(NAMES)


def test_views_have_the_columns_that_are_told(url: str) -> None:
    with opened(url).reading() as connection:
        for view, columns in VIEWS.items():
            found = connection.exec_driver_sql(f"SELECT * FROM {view}")
            assert list(found.keys()) == [column.name for column in columns]


def test_the_index_catches_up_with_what_folders_hold(tmp_path: Path, url: str) -> None:
    root = tmp_path / "tickets"
    shop(root, 4)
    database = opened(url)
    done = index.catch_up(database, [root])
    assert (done.entries, done.outcomes, done.notes) == (8, 2, [])
    was = contents(database)
    assert [row["ticket"] for row in was["tickets"]] == ["R-0", "R-1", "R-2", "R-3"]
    assert len(was["runs"]) == 8 and len(was["outcomes"]) == 2
    again = index.catch_up(database, [root])
    assert (again.entries, again.outcomes) == (0, 0) and contents(database) == was
    filed(root, "R-9", verdict(finding("U2", "weak", 0.7)))
    assert index.catch_up(database, [root]).entries == 1
    assert len(contents(database)["runs"]) == 9


def test_a_folder_under_two_paths_is_indexed_once(tmp_path: Path, url: str) -> None:
    """A network folder that two benches mount in different places."""
    root = tmp_path / "tickets"
    shop(root, 3)
    shutil.copytree(root, tmp_path / "mounted")
    database = opened(url)
    index.catch_up(database, [root])
    assert index.catch_up(database, [tmp_path / "mounted"]).entries == 0
    assert len(contents(database)["runs"]) == 6


def test_deleted_and_made_anew_it_says_the_same(tmp_path: Path, url: str) -> None:
    root = tmp_path / "tickets"
    shop(root)
    database = opened(url)
    index.catch_up(database, [root])
    was = contents(database)
    assert was["heat"] and was["outcomes"] and was["findings"]
    if database.is_file:
        Path(database.url.database or "").unlink()
    else:
        with database.writing() as connection:
            connection.exec_driver_sql(f"DROP SCHEMA {database.schema} CASCADE")
    done = rebuild(Database(address(url)), [root])
    assert (done.found.entries, done.gone) == (24, 0)
    assert contents(database) == was
    rebuild(Database(address(url)), [root])
    assert contents(database) == was


def test_what_the_index_says_is_what_pandas_says_of_the_same_data(tmp_path: Path, url: str) -> None:
    """pandas does the joins, groups and filters of the views from the documents themselves."""
    root = tmp_path / "tickets"
    shop(root, 15)
    database = opened(url)
    index.catch_up(database, [root])
    rows = []
    for path in sorted(root.glob("*/*/verdict.json")):
        document = json.loads(path.read_text())
        head, s = document["run"], document["summary"]
        rows.append(
            {
                "ticket": path.parents[1].name,
                "serial": head["serial"],
                "at": pd.Timestamp(head["at"]).tz_convert("UTC").strftime("%Y-%m-%dT%H:%M:%SZ"),
                "cause": s["cause"],
                "site": s["site"],
                "probability": s["probability"],
                "released": document["release"]["allowed"],
            }
        )
    runs = pd.DataFrame(rows).sort_values(["at", "ticket"])
    last = runs.groupby("ticket").last()
    grouped = runs.groupby("ticket")
    found = contents(database)
    tickets = view_frame("tickets", found["tickets"]).set_index("ticket").sort_index()
    assert tickets["runs"].tolist() == grouped.size().tolist()
    assert tickets["first_at"].tolist() == grouped["at"].min().tolist()
    assert tickets["released"].tolist() == last["released"].tolist()
    assert tickets["cause"].tolist() == last["cause"].tolist()
    outcomes = pd.DataFrame(
        [
            json.loads(p.read_text()) | {"ticket": p.parents[1].name}
            for p in root.glob("*/*/outcome.json")
        ]
    )
    counted = outcomes.groupby("ticket").size().reindex(tickets.index).fillna(0).astype(int)
    assert tickets["outcomes"].tolist() == counted.tolist()
    with database.reading() as connection:
        weak = query.rows(connection, "findings", Filter(cause="WEAK"))
        early = query.rows(connection, "runs", Filter(until=day("2031-03-05")))
    wanted = runs[runs["cause"] == "weak"]
    assert [row["ticket"] for row in weak] == wanted["ticket"].tolist()
    assert [row["probability"] for row in weak] == pytest.approx(wanted["probability"].tolist())
    assert len(early) == (runs["at"] < "2031-03-06").sum()


@pytest.mark.parametrize(
    ("wanted", "tickets"),
    [
        (Filter(), ["R-1", "R-2", "R-3"]),
        (Filter(ticket="r-2"), ["R-2"]),
        (Filter(serial="fc-1"), ["R-1"]),
        (Filter(board="quince-8"), ["R-3"]),
        (Filter(site="u6"), ["R-1", "R-3"]),
        (Filter(site="U6", cause="weak"), ["R-3"]),
        (Filter(site="U60"), []),
        (Filter(site="U5"), ["R-3"]),
        (Filter(cause="clear"), ["R-1"]),
        (Filter(action="replace"), ["R-1", "R-2", "R-3"]),
        (Filter(since=day("2031-03-02")), ["R-2", "R-3"]),
        (Filter(until=day("2031-03-02")), ["R-1", "R-2"]),
        (Filter(text="100%"), ["R-2"]),
        (Filter(text="_"), []),
        (Filter(text="cold store"), ["R-1"]),
    ],
)
def test_tickets_are_found(tmp_path: Path, url: str, wanted: Filter, tickets: list[str]) -> None:
    root = tmp_path / "tickets"
    at = "2031-03-0{}T12:00:00Z"
    filed(root, "R-1", verdict(finding("U6", "missing", 0.9), serial="FC-1", at=at.format(1)))
    filed(root, "R-1", verdict(stage="final", serial="FC-1", at=at.format(1)))
    filed(root, "R-2", verdict(finding("U7", "weak", 0.9), id="100% dark", at=at.format(2)))
    one_of = finding("U6", "weak", 0.9, one_of=["U5", "U6"])
    filed(root, "R-3", verdict(one_of, board="quince-8", at=at.format(3)))
    record(root, "R-1", Claim("missing", "yes", "U6", note="from the Cold Store"))
    database = opened(url)
    index.catch_up(database, [root])
    with database.reading() as connection:
        found = query.rows(connection, "tickets", wanted)
        assert [row["ticket"] for row in found] == tickets
        for view in NAMES:  # every view takes every filter, and gives nothing of other tickets
            rows = query.rows(connection, view, wanted)
            assert {row["ticket"] for row in rows} <= set(tickets)


# --- a folder edited by hand --------------------------------------------------------------------


def test_a_folder_edited_by_hand(tmp_path: Path, url: str) -> None:
    """What was changed is said and not believed; what is whole beside it is indexed; what was
    taken away is left out by a rebuild, which says so."""
    root = tmp_path / "tickets"
    shop(root, 4)
    believed = filed(root, "R-0", verdict(finding("U1", "weak", 0.9), id="believed")).folder
    forged = filed(root, "R-1", verdict(finding("U1", "weak", 0.9), id="forged")).folder
    (forged / "verdict.json").write_text(json.dumps(verdict(id="forged")))
    (believed / "dump.txt").write_bytes(b"another")
    deep = filed(root, "R-2", verdict(id="deep")).folder
    (deep / "SHA256SUMS").unlink()
    (root / "R-3" / "photos").mkdir()
    (root / "notes").mkdir()
    (root / "list.txt").write_text("x")
    database = opened(url)
    done = index.catch_up(database, [root])
    said = "\n".join(done.notes)
    assert f"R-0/{believed.name}: dump.txt changed since it was filed" in said
    assert "its verdict.json is no longer what was filed" in said
    assert f"R-2/{deep.name} is set aside: it has no SHA256SUMS" in said
    found = contents(database)
    assert [r["damaged"] for r in found["runs"] if r["run"] == "believed"] == ["dump.txt"]
    assert not [r for r in found["runs"] if r["run"] in ("forged", "deep")]
    assert len(found["runs"]) == 9
    shutil.rmtree(root / "R-3")
    gone = rebuild(database, [root])
    assert gone.gone == 2 and len(contents(database)["runs"]) == 7


def test_hostile_documents_are_noted_and_the_rest_is_indexed(tmp_path: Path, url: str) -> None:
    root = tmp_path / "tickets"
    good = verdict(finding("U6", "missing", 0.9), id="good\x00\u202e", note="x")
    good["findings"][0]["scope"] |= {"rank": 10**30, "lane": 2**40, "channel": "a\x00b"}
    good["dump"] |= {"printed": 10**12}
    filed(root, "R-1", good)
    filed(root, "R-2", verdict() | {"findings": 7})
    filed(root, "R-3", verdict() | {"run": {"id": 5}})
    done = index.catch_up(opened(url), [root])
    assert done.entries == 3 and len(done.notes) == 2
    assert all("its verdict.json cannot be used" in note for note in done.notes)
    found = contents(opened(url))
    assert [row["run"] for row in found["runs"]] == ["good\ufffd\ufffd"]
    assert [(f["rank"], f["lane"]) for f in found["findings"]] == [(None, None)]


# --- older, newer, damaged, something else ------------------------------------------------------


def upgrade_to(database: Database, revision: str) -> None:
    from alembic import command
    from alembic.config import Config

    from memdiag.ledger import migrations

    with database.writing() as connection:
        config = Config(attributes={"connection": connection})
        config.set_main_option("script_location", str(Path(migrations.__file__).parent))
        config.set_main_option("path_separator", "os")
        command.upgrade(config, revision)


def test_an_older_index_is_brought_up_to_date_with_what_it_holds(tmp_path: Path, url: str) -> None:
    old = Database(address(url))
    if old.is_file:
        old.make_room()
    upgrade_to(old, "0001")
    with old.writing() as connection:
        assert sa.inspect(connection).get_view_names() == []
        values = "'R-1', 'ab', 1, '01-x', '/t', 'bench', 'Z'"
        columns = "ticket, sha256, number, folder, root, bench, filed"
        connection.exec_driver_sql(f"INSERT INTO entry ({columns}) VALUES ({values})")
        connection.exec_driver_sql("INSERT INTO run (entry_id, position) VALUES (1, 0)")
    assert [row["ticket"] for row in contents(opened(url))["tickets"]] == ["R-1"]


def test_a_newer_index_is_refused_and_left_alone_until_it_is_made_anew(
    tmp_path: Path, url: str
) -> None:
    root = tmp_path / "tickets"
    shop(root, 2)
    database = opened(url)
    index.catch_up(database, [root])
    was = contents(database)
    with database.writing() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0417'")
    with pytest.raises(LedgerError) as caught:
        opened(url)
    assert caught.value.problem.code == "ledger-newer"
    said = caught.value.problem.sentence()
    assert "0417" in said and REVISION in said and "memdiag ledger rebuild" in said
    rebuild(Database(address(url)), [root])
    assert contents(opened(url)) == was


def test_a_file_that_is_no_database_is_made_anew(tmp_path: Path) -> None:
    root, file = tmp_path / "tickets", tmp_path / "ledger.sqlite"
    shop(root, 2)
    chance = random.Random(3)
    database = opened(str(file))
    index.catch_up(database, [root])
    was = contents(database)
    whole = file.read_bytes()
    spoilt = bytearray(whole)
    spoilt[100:4096] = chance.randbytes(3996)
    for junk in (b"no database at all" * 500, whole[:5000], bytes(spoilt), whole[:7], b"\0" * 8192):
        file.write_bytes(junk)
        try:
            index.catch_up(opened(str(file)), [root])
        except LedgerError as wrong:
            assert wrong.problem.code == "ledger-broken"
            assert "memdiag ledger rebuild" in wrong.problem.hint
        rebuild(Database(address(str(file))), [root])
        assert contents(opened(str(file))) == was


def test_a_database_of_something_else_is_never_written_to(tmp_path: Path) -> None:
    file = tmp_path / "stock.sqlite"
    with sqlite3.connect(file) as stock:
        stock.execute("CREATE TABLE parts (name TEXT)")
    was = file.read_bytes()
    for use in (lambda: opened(str(file)), lambda: rebuild(Database(address(str(file))), [])):
        with pytest.raises(LedgerError, match="something else"):
            use()
        assert file.read_bytes() == was


# --- folders that are not seen from here --------------------------------------------------------


def test_a_rebuild_does_not_forget_what_it_cannot_see(tmp_path: Path, url: str) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    shop(here, 2)
    filed(there, "R-77", verdict(finding("U1", "weak", 0.9)))
    database = opened(url)
    index.catch_up(database, [here, there])
    was = contents(database)
    with pytest.raises(LedgerError, match="would forget 1 entry filed") as caught:
        rebuild(database, [here])
    assert str(there) in str(caught.value) and contents(database) == was
    assert rebuild(database, [here], anyway=True).gone == 1
    assert "R-77" not in {row["ticket"] for row in contents(database)["tickets"]}
    index.catch_up(database, [there])  # its bench files again
    assert contents(database) == was


def test_no_rebuild_leaves_anything_beside_the_index(tmp_path: Path, url: str) -> None:
    root = tmp_path / "tickets"
    shop(root, 1)
    database = opened(url)
    rebuild(database, [root])
    if database.is_file:
        file = Path(database.url.database or "")
        assert [p.name for p in file.parent.iterdir()] == [file.name]
        return
    with database.reading() as connection:
        schemas = sa.inspect(connection).get_schema_names()
    assert sorted(s for s in schemas if s.startswith("memdiag")) == ["memdiag"]


# --- for any reader -----------------------------------------------------------------------------


def test_any_reader_of_sqlite_reads_the_views(tmp_path: Path) -> None:
    """Python's own sqlite3, as a stand-in for any browser of databases."""
    root, file = tmp_path / "tickets", tmp_path / "ledger.sqlite"
    shop(root, 3)
    index.catch_up(opened(str(file)), [root])
    asked = "SELECT site, SUM(cycles) FROM heat WHERE own GROUP BY site ORDER BY site"
    with sqlite3.connect(f"file:{file}?mode=ro", uri=True) as connection:
        heat = dict(connection.execute(asked).fetchall())
    own = [row for row in contents(opened(str(file)))["heat"] if row["own"]]
    assert heat and sum(heat.values()) == sum(row["cycles"] for row in own) == 2 * 3
