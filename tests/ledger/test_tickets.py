"""A dump on its ticket: what is filed, what it is compared with, and what cannot get through."""

from __future__ import annotations

import csv
import io
import json
import random
import re
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

from memdiag.boards import profiles
from memdiag.ledger.entries import Entry, damaged
from memdiag.ledger.store import TicketError, entries
from memdiag.ledger.tickets import Attached, Reading, attach, judged
from memdiag.model import Board
from memdiag.resources import shipped
from tests.support.benchtext import dump

NOW = datetime(2031, 3, 5, 16, 0, tzinfo=UTC)


def quince(number: int) -> Board:
    board = profiles.find(f"quince-{number}")
    assert board is not None
    return board


def at(hour: int, stage: str, **more: str) -> dict[str, str]:
    stamp = f"2031-03-05T{hour:02d}:00:00Z"
    return {"stage": stage, "at": stamp, "id": f"bench-{hour}"} | more


INTAKE = dump(quince(12), gone=["U7"], disturbed=["U8"], head=at(9, "intake"))
BARE = dump(quince(12), gone=["U7"], disturbed=["U8", "U9"], head=at(11, "bare", removed="U7"))
AFTER = dump(quince(12), head=at(15, "after-swap", replaced="U7"))


def file(root: Path, text: str | bytes, ticket: str = "R-2041", **reading: object) -> Attached:
    raw = text.encode() if isinstance(text, str) else text
    return attach(root, ticket, judged(raw, "paste.txt", Reading(**reading)), NOW)


def read(done: Attached, name: str) -> str:
    return (done.filed.entry.folder / name).read_text("utf-8")


def tree(root: Path) -> dict[str, bytes]:
    return {str(p.relative_to(root)): p.read_bytes() for p in root.rglob("*") if p.is_file()}


# --- what is filed ------------------------------------------------------------------------------


def test_an_entry_holds_the_dump_the_verdict_and_the_pictures(tmp_path: Path) -> None:
    raw = INTAKE.replace("\n", "\r\n").encode() + b"# \xff\x00 not text\r\n"
    done = file(tmp_path, raw)
    folder = done.filed.entry.folder
    assert sorted(p.name for p in folder.iterdir()) == [
        "SHA256SUMS",
        "board.svg",
        "board.toml",
        "dump.txt",
        "entry.json",
        "table.csv",
        "verdict.html",
        "verdict.json",
        "verdict.md",
    ]
    assert (folder / "dump.txt").read_bytes() == raw
    verdict = json.loads(read(done, "verdict.json"))
    assert verdict["format"] == "memdiag-verdict/1"
    assert verdict["dump"]["sha256"] == done.filed.entry.sha256
    assert (verdict["summary"]["site"], verdict["summary"]["cause"]) == ("U7", "missing")
    assert "U7 is missing" in read(done, "verdict.md")
    assert "U7 (work here) (missing)" in read(done, "board.svg")
    assert "REPLACE the package at U7" in read(done, "verdict.html")
    assert damaged(done.filed.entry) == ()
    about = json.loads(read(done, "entry.json"))
    assert about["filed"] == "2031-03-05T16:00:00+00:00" and about["stages"] == ["intake"]


def test_a_packed_dump_is_filed_as_it_came(tmp_path: Path) -> None:
    import gzip

    raw = gzip.compress(INTAKE.encode(), mtime=0)
    done = file(tmp_path, raw)
    assert (done.filed.entry.folder / "dump.gz").read_bytes() == raw
    assert file(tmp_path, AFTER).comparison is not None


def test_a_paste_of_several_dumps_is_one_entry(tmp_path: Path) -> None:
    done = file(tmp_path, INTAKE + BARE + AFTER)
    assert done.filed.entry.folder.name.startswith("01-intake-to-after-swap-")
    assert len(json.loads(read(done, "verdict.json"))) == 3
    assert done.comparison is not None and done.comparison.history is not None
    assert json.loads(read(done, "comparison.json"))["outcome"] == "repaired"


# --- the stages of a ticket ---------------------------------------------------------------------


def test_taken_off_fitted_and_closed(tmp_path: Path) -> None:
    """The bench's own sequence (common practice, no source): the site missing as declared with
    warnings elsewhere, then nothing at all."""
    first = file(tmp_path, INTAKE)
    assert first.comparison is None and not (first.filed.entry.folder / "comparison.md").exists()
    bare = file(tmp_path, BARE)
    assert bare.comparison is not None and bare.comparison.outcome.value == "not-repaired"
    after = file(tmp_path, AFTER)
    assert after.comparison is not None and after.comparison.outcome.value == "repaired"
    document = json.loads(read(after, "comparison.json"))
    assert document["format"] == "memdiag-comparison/1"
    assert "✓ repaired" in read(after, "comparison.html") and "✓ repaired" in read(
        after, "verdict.html"
    )
    assert "repaired" in read(after, "comparison.md")
    assert json.loads(read(after, "entry.json"))["after"] == [
        first.filed.entry.folder.name,
        bare.filed.entry.folder.name,
    ]


def test_runs_are_compared_in_the_order_they_were_made_not_filed(tmp_path: Path) -> None:
    file(tmp_path, AFTER)
    late = file(tmp_path, INTAKE)
    assert late.comparison is not None
    assert late.comparison.before.head.stage == "intake"
    assert late.comparison.outcome.value == "repaired"


def test_the_same_dump_again_changes_nothing(tmp_path: Path) -> None:
    file(tmp_path, INTAKE)
    was = tree(tmp_path)
    again = file(tmp_path, INTAKE, removed=("U7",))
    assert not again.filed.fresh and again.comparison is None and tree(tmp_path) == was


def test_an_earlier_dump_is_read_again_as_it_was_read_then(tmp_path: Path) -> None:
    """`--removed` and `--board` of an earlier filing hold for it later, the profile's file gone."""
    mine = tmp_path / "mine.toml"
    mine.write_bytes((shipped("samples") / "boards" / "quince-12.toml").read_bytes())
    root = tmp_path / "tickets"
    bare = dump(quince(12), gone=["U7"], head=at(11, "bare", board="pear-3"))
    file(root, bare, board=str(mine), removed=("U7",))
    after = dump(quince(12), head=at(15, "after-swap", board="pear-3", replaced="U7"))
    mine.rename(tmp_path / "other.toml")
    done = file(root, after, board=str(tmp_path / "other.toml"))
    assert done.notes == [] and done.comparison is not None
    before = done.comparison.before_verdict
    assert before is not None and before.run.head.removed == ("U7",)
    assert before.board.known and before.findings[0].expected
    assert "board-unknown" not in {p.code for p in before.run.problems}


def test_an_earlier_dump_that_was_changed_is_left_out_and_that_is_said(tmp_path: Path) -> None:
    first = file(tmp_path, INTAKE).filed.entry
    (first.folder / "dump.txt").write_text(INTAKE.replace("no-response", "pass"))
    done = file(tmp_path, AFTER)
    assert done.comparison is None
    assert any("left out of the comparison" in note for note in done.notes)
    assert any("dump.txt changed since it was filed" in note for note in done.notes)


def test_another_ticket_in_the_dump_is_noticed(tmp_path: Path) -> None:
    assert file(tmp_path, INTAKE).notes == []
    notes = file(tmp_path, INTAKE, ticket="R-7").notes
    assert notes == ["the dump names ticket R-2041, it is filed under R-7: check"]


def test_of_many_earlier_entries_the_first_and_the_latest_are_compared(tmp_path: Path) -> None:
    board = quince(2)
    for hour in range(11):
        done = file(tmp_path, dump(board, head=at(hour, "final")))
    assert done.comparison is not None and done.comparison.history is not None
    assert len(done.comparison.history.stages) == 9
    assert done.comparison.before.head.id == "bench-0"
    assert any("of 10 earlier entries" in note for note in done.notes)


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(TicketError, match="cannot make the folder"):
        file(tmp_path / "file" / "tickets", INTAKE)


# --- what a dump cannot become ------------------------------------------------------------------

HOSTILE = [
    '=HYPERLINK("http://example.invalid")',
    "+1+cmd|' /C calc'!A0",
    "@SUM(A1)",
    "-2+3",
    "<script>alert(1)</script>",
    "| broken | table |",
    "`code`",
    "[x](javascript:alert(1))",
    "![x](http://example.invalid/x.png)",
    "\u202eevil",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_text_of_a_dump_stays_text_in_every_file(tmp_path: Path, text: str) -> None:
    word = text.replace(" ", "_")
    dirty = INTAKE.replace("U8 ", f"{word} ").replace(
        "rate  ", f"note  {text}\nrig  {text}\nrate  "
    )
    done = file(tmp_path, dirty.replace("stage  intake", f"stage  {text}"))
    assert done.filed.entry.folder.parent == tmp_path / "R-2041"
    for cells in csv.reader(io.StringIO(read(done, "table.csv"))):
        assert not any(re.match(r"[=+@\t\r]|-[^\d.]", cell) for cell in cells if cell != "-")
    for name in ("verdict.html", "board.svg"):
        assert "<script" not in read(done, name) and "\u202e" not in read(done, name)
    markdown = read(done, "verdict.md")
    # As those read it who take HTML and link bare addresses: neither link, picture nor script.
    reader = MarkdownIt("gfm-like", {"linkify": True, "html": True})
    assert not re.search(r"<(a|img|script)\b", reader.render(markdown))
    bars = {len(re.findall(r"(?<!\\)\|", line)) for line in markdown.splitlines() if "|" in line}
    assert len(bars) <= 1  # every row of the table has as many cells


# --- the command --------------------------------------------------------------------------------


def command(*arguments: str, stdin: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "memdiag", "attach", *arguments],
        input=stdin,
        capture_output=True,
        check=False,
    )


def test_the_command_prints_the_folder_and_tells_the_rest_aside(tmp_path: Path) -> None:
    root = tmp_path / "tickets"
    (tmp_path / "bare.txt").write_text(BARE)
    (tmp_path / "after.txt").write_text(AFTER)
    first = command("--ticket", "R-2041", "--to", str(root), stdin=INTAKE.encode())
    assert first.returncode == 1
    assert [Path(line).name for line in first.stdout.decode().splitlines()] == [
        entries(root, "R-2041")[0].folder.name
    ]
    assert b"U7 is missing" in first.stderr
    both = command(
        str(tmp_path / "bare.txt"),
        str(tmp_path / "after.txt"),
        "--ticket",
        "R-2041",
        "--to",
        str(root),
    )
    assert len(both.stdout.splitlines()) == 2 and b"repaired: U7" in both.stderr
    again = command(str(tmp_path / "after.txt"), "--ticket", "R-2041", "--to", str(root))
    assert again.returncode == 0 and b"nothing changed" in again.stderr
    assert len(entries(root, "R-2041")) == 3


def test_one_input_that_cannot_be_used_leaves_the_ticket_alone(tmp_path: Path) -> None:
    (tmp_path / "good.txt").write_text(dump(quince(2)))
    (tmp_path / "bad.txt").write_bytes(b"\x7fELF\x00\x01 no dump")
    for bad in ("bad.txt", "none.txt"):
        done = command(
            str(tmp_path / "good.txt"),
            str(tmp_path / bad),
            "--ticket",
            "R-1",
            "--to",
            str(tmp_path / "tickets"),
        )
        assert done.returncode == 2 and b"Traceback" not in done.stderr and done.stdout == b""
        assert not (tmp_path / "tickets").exists()


@pytest.mark.parametrize(
    ("ticket", "said"), [("", b"is empty"), ("../R-1", b"has a path in it"), (".", b"a path in it")]
)
def test_a_ticket_id_that_is_none_is_refused_at_once(
    tmp_path: Path, ticket: str, said: bytes
) -> None:
    done = command("--ticket", ticket, "--to", str(tmp_path), stdin=INTAKE.encode())
    assert done.returncode == 2 and said in done.stderr and list(tmp_path.iterdir()) == []


def test_a_polite_end_leaves_nothing_behind(tmp_path: Path) -> None:
    """SIGTERM in the middle of the filing, when the hidden folder is there."""
    script = (
        "import os, signal, sys; from memdiag.ledger import store\n"
        "def publish(*_): os.kill(os.getpid(), signal.SIGTERM); signal.pause()\n"
        "store._publish = publish\n"
        "from memdiag.cli.main import main; main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, "attach", "--ticket", "R-1", "--to", str(tmp_path)],
        input=INTAKE.encode(),
        capture_output=True,
        check=False,
    )
    assert done.returncode == 128 + signal.SIGTERM
    assert list(tmp_path.iterdir()) == []


@pytest.mark.long
def test_a_kill_of_the_command_leaves_whole_entries_or_none(tmp_path: Path) -> None:
    chance = random.Random(417)
    (tmp_path / "in").mkdir()
    root = tmp_path / "tickets"
    small = quince(2)
    names = []
    for n in range(10):
        names.append(str(tmp_path / "in" / f"{n}.txt"))
        Path(names[-1]).write_text(dump(small, head=at(n, "final")))
    for _ in range(3):
        bench = subprocess.Popen(
            [sys.executable, "-m", "memdiag", "attach", *names, "--ticket", "R-1", "--to", root],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + 20
        already = len(found(root))
        while len(found(root)) == already and bench.poll() is None and time.monotonic() < until:
            time.sleep(0.005)
        time.sleep(chance.uniform(0, 0.03))
        bench.kill()
        bench.wait()
        assert all(damaged(entry) == () for entry in found(root))
        listed = (root / "R-1").iterdir() if (root / "R-1").exists() else ()
        visible = [p.name for p in listed if not p.name.startswith(".")]
        assert sorted(visible) == [entry.folder.name for entry in found(root)]
    assert 0 < len(found(root)) < len(names), "every kill came too late, or too early"
    done = command(*names, "--ticket", "R-1", "--to", str(root))
    assert done.returncode in (0, 1)
    assert [entry.number for entry in found(root)] == list(range(1, 11))
    assert [p.name for p in (root / "R-1").iterdir() if p.name.startswith(".")] == []


def found(root: Path) -> tuple[Entry, ...]:
    return entries(root, "R-1")
