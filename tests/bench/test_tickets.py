"""A repair on the page: filed, added to, compared, closed."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from memdiag.bench import photos, run_text
from memdiag.bench.refusal import Refusal
from memdiag.boards import profiles
from memdiag.ledger import beside
from memdiag.ledger.entries import damaged, survey
from memdiag.ledger.store import look
from memdiag.model import Head
from memdiag.reading.load import load
from tests.bench.test_interface import sample
from tests.bench.test_paste import MISSING, WRONG, line_of, quince
from tests.support.benchforms import fields, paste, send
from tests.support.benchtext import dump

AFTER = sample("after-swap").decode()


def filed(page: Any, text: str, ticket: str) -> str:
    """The page of a ticket that this text was filed with."""
    where, seen = paste(page, text)
    done = send(page, seen, f"{where}/file", ticket=ticket)
    assert done.status_code == 303, done.text
    assert done.headers["location"] == f"/tickets/{ticket}"
    return str(page.get(f"/tickets/{ticket}").text)


def added(page: Any, ticket: str, form: str, files: Any = None, **entered: str) -> str:
    """The page of a ticket after one of its forms was sent."""
    seen = page.get(f"/tickets/{ticket}").text
    done = send(page, seen, f"/tickets/{ticket}/{form}", files=files, **entered)
    assert done.status_code == 303, done.text
    return str(page.get(f"/tickets/{ticket}").text)


def test_a_paste_is_filed_as_on_the_command_line(page: Any, folder: Path) -> None:
    seen = filed(page, MISSING, "B-1")
    assert "filed as 01-before-swap" in seen and '<p class="where">U6</p>' in seen
    (entry,) = look(folder, "B-1").entries
    assert entry.dump() == MISSING.encode() and not damaged(entry)
    assert {p.name for p in entry.folder.iterdir()} >= {
        "verdict.json",
        "verdict.html",
        "board.toml",
    }
    assert "filed as" not in page.get("/tickets/B-1").text  # said once
    assert ">B-1<" in page.get("/tickets").text


def test_the_ticket_of_the_dump_is_offered(page: Any) -> None:
    where, seen = paste(page, MISSING)
    assert fields(seen, f"{where}/file")["ticket"] == "R-1187"


def test_what_was_corrected_is_filed_with_what_stood_there(page: Any, folder: Path) -> None:
    number = line_of(WRONG, "margnal!")
    right, wrong = MISSING.split("\n")[number - 1], WRONG.split("\n")[number - 1]
    where, seen = paste(page, WRONG)
    send(page, seen, f"{where}/lines", **{f"line_{number}": right})
    send(page, page.get(where).text, f"{where}/file", ticket="B-2")
    (entry,) = look(folder, "B-2").entries
    assert entry.dump() == MISSING.encode()
    assert (entry.folder / "original.txt").read_bytes() == WRONG.encode()
    said = json.loads((entry.folder / "corrections.json").read_text())
    assert said["corrections"] == [{"line": number, "was": wrong, "now": right}]
    assert json.loads((entry.folder / "entry.json").read_text())["corrected"] == [number]
    assert not damaged(entry)


@pytest.mark.parametrize("ticket", ["../x", "a/b", "..", "con", "x" * 101, " ", "a\x00b"])
def test_an_id_that_is_a_path_is_none(page: Any, folder: Path, ticket: str) -> None:
    where, seen = paste(page, MISSING)
    before = sorted(p.name for p in folder.parent.iterdir())
    assert send(page, seen, f"{where}/file", ticket=ticket).status_code == 422
    assert sorted(p.name for p in folder.parent.iterdir()) == before
    path = ticket.replace("/", "%2F").replace("\x00", "%00")
    assert page.get(f"/tickets/{path}").status_code in (200, 404, 422)


# --- the repair goes on -------------------------------------------------------------------------


def test_a_swap_is_told_as_a_story(page: Any, folder: Path) -> None:
    filed(page, MISSING, "B-3")
    done = added(page, "B-3", "work", replaced="U6")
    assert "replaced U6" in done
    assert "RELEASE" not in done  # nothing has shown it yet
    last = filed(page, AFTER, "B-3")
    assert "RELEASE the board" in last and '<li class="clear">' in last
    assert last.count("<h3>") >= 3 and "gone: U6 missing" in last
    assert re.search(r"<td>U6</td><td>\d</td>", last)  # heat, counted by site
    assert len(look(folder, "B-3").entries) == 3


def test_ohms_are_a_run_of_the_case(page: Any, folder: Path) -> None:
    seen = filed(page, MISSING, "B-4")
    asked = fields(seen, "/tickets/B-4/ohms")
    board = quince(12)
    assert [asked[f"rail-{n}"] for n, _ in enumerate(board.rails, 1)] == [
        r.name for r in board.rails
    ]
    for rail in board.rails:  # healthy values stand beside the fields
        assert (
            f"<td>{rail.healthy_ohms_min if rail.healthy_ohms_min is not None else 'not said'}</td>"
            in seen
        )
    after = added(page, "B-4", "ohms", ohms_1="0,4", trend_1="settled", note="cold")
    (run,) = load(look(folder, "B-4").entries[-1].dump() or b"")
    assert [(row.rail, row.ohms, row.trend) for row in run.rails] == [
        (board.rails[0].name, 0.4, "settled")
    ]
    assert run.head.stage == "ohms" and run.head.serial == "FC-0412" and run.head.note == "cold"
    assert "ohms" in after


def test_an_injection_is_a_run_of_the_case(page: Any, folder: Path) -> None:
    filed(page, MISSING, "B-5")
    rail = quince(12).rails[0].name
    picked = page.get("/tickets/B-5", params={"warm": "U4"}).text
    assert "<option selected>U4</option>" in picked and 'aria-label="U4"' in picked
    entered = {"rail": rail, "volts": "1.0", "amps": "0.8", "hottest": "U4", "rise": "6.5"}
    done = send(page, picked, "/tickets/B-5/injection", **entered)
    assert done.status_code == 303, done.text
    (run,) = load(look(folder, "B-5").entries[-1].dump() or b"")
    (row,) = run.heat
    assert (row.rail, row.volts, row.amps, row.hottest, row.rise) == (rail, 1.0, 0.8, "U4", 6.5)


@pytest.mark.parametrize(
    ("form", "entered"),
    [
        ("ohms", {"ohms_1": "a lot"}),
        ("ohms", {}),
        ("work", {}),
        ("work", {"replaced": "everything!!"}),
        ("note", {"note": "  "}),
        ("close", {"was": "bewitched", "cured": "yes", "place": "", "note": ""}),
        ("close", {"was": "weak", "cured": "yes", "place": "U99", "note": ""}),
    ],
)
def test_what_cannot_be_understood_is_not_filed(
    page: Any, folder: Path, form: str, entered: dict[str, str]
) -> None:
    if not look(folder, "B-6").entries:
        filed(page, MISSING, "B-6")
    before = survey(folder / "B-6")
    seen = page.get("/tickets/B-6").text
    done = send(page, seen, f"/tickets/B-6/{form}", **entered)
    assert done.status_code == 422, done.text
    assert survey(folder / "B-6") == before


def test_what_is_off_the_board_stays_off(page: Any, folder: Path) -> None:
    bare = dump(quince(12), gone=["U6"], head={"stage": "bare", "removed": "U6", "ticket": "B-7"})
    seen = filed(page, bare, "B-7")
    assert fields(seen, "/tickets/B-7/ohms")["removed"] == "U6"
    added(page, "B-7", "ohms", ohms_1="12")
    (run,) = load(look(folder, "B-7").entries[-1].dump() or b"")
    assert run.head.removed == ("U6",)


def test_two_runs_are_compared(page: Any) -> None:
    filed(page, MISSING, "B-8")
    seen = filed(page, AFTER, "B-8")
    assert 'action="/tickets/B-8/compare"' in seen
    made = page.get("/tickets/B-8/compare", params={"before": 1, "after": 2})
    assert made.status_code == 200 and "REPAIRED" in made.text.upper()
    for before, after in ((1, 1), (0, 2), (1, 9), ("x", 2)):
        refused = page.get("/tickets/B-8/compare", params={"before": before, "after": after})
        assert refused.status_code == 422


def test_it_is_closed_with_an_outcome(page: Any, folder: Path) -> None:
    filed(page, MISSING, "B-9")
    seen = added(page, "B-9", "close", was="missing", cured="yes", place="U6", note="a new one")
    assert "U6 was missing" in seen and "cured: yes" in seen and "a new one" in seen
    assert len(look(folder, "B-9").outcomes) == 1
    again = added(page, "B-9", "close", was="missing", cured="yes", place="U6", note="a new one")
    assert "recorded before: nothing changed" in again


# --- notes and photographs ----------------------------------------------------------------------


def photograph(kind: str = "JPEG", size: tuple[int, int] = (320, 200)) -> bytes:
    """A picture as a camera writes it: with its place (Exif 2.32, GPS IFD) and its maker."""
    image = Image.new("RGB", size, (200, 60, 60))
    exif = Image.Exif()
    exif[0x010F] = "a maker of cameras"  # Make
    exif[0x0112] = 6  # Orientation: to be turned a quarter
    exif.get_ifd(0x8825).update({1: "N", 2: (47.0, 30.0, 12.0)})  # GPSLatitude
    made = io.BytesIO()
    image.save(made, kind, exif=exif)
    return made.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_a_photograph_is_kept_without_its_place(page: Any, folder: Path, kind: str) -> None:
    ticket = f"B-10-{kind}"
    filed(page, MISSING, ticket)
    data = photograph(kind)
    assert b"a maker of cameras" in data
    seen = added(page, ticket, "photo", files={"photo": ("../../x", data)}, caption="U6 <bare>")
    assert "U6 &lt;bare&gt;" in seen
    (one,) = look(folder, ticket).kept
    kept = page.get(f"/tickets/{ticket}/photos/{one.number}")
    assert kept.headers["content-type"] == f"image/{kind.lower()}"
    assert b"a maker of cameras" not in kept.content and b"Exif" not in kept.content
    with Image.open(io.BytesIO(kept.content)) as image:
        assert not image.getexif() and image.size == (200, 320)  # upright
    again = added(page, ticket, "photo", files={"photo": ("x", data)})
    assert "nothing changed" in again and len(look(folder, ticket).kept) == 1


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "no photograph"),
        (b"GIF89a" + b"\0" * 40, "neither"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "neither"),
        (photograph()[:300], "cannot be read"),
        (b"x" * (photos.MOST_BYTES + 1), "larger than"),
    ],
)
def test_what_is_no_photograph_is_refused(data: bytes, says: str) -> None:
    with pytest.raises(Refusal) as wrong:
        photos.rewritten(data)
    assert says in wrong.value.problems[0].message


def test_a_picture_that_unpacks_to_too_much_is_refused() -> None:
    made = io.BytesIO()
    Image.new("1", (10_000, 9_000)).save(made, "PNG")
    assert len(made.getvalue()) < 100_000
    with pytest.raises(Refusal) as wrong:
        photos.rewritten(made.getvalue())
    assert "million pixels" in wrong.value.problems[0].message


def test_a_large_photograph_is_made_smaller() -> None:
    data, ending = photos.rewritten(photograph(size=(4000, 3000)))
    with Image.open(io.BytesIO(data)) as image:
        assert max(image.size) == photos.LONGEST_SIDE and ending == "jpg"


def test_a_photograph_that_was_changed_is_not_shown(page: Any, folder: Path) -> None:
    filed(page, MISSING, "B-11")
    added(page, "B-11", "photo", files={"photo": ("x", photograph())})
    (one,) = look(folder, "B-11").kept
    (one.folder / one.name).write_bytes(b"<script>")
    assert page.get(f"/tickets/B-11/photos/{one.number}").status_code == 404
    assert beside.shown(one) is None
    assert "/photos/" not in page.get("/tickets/B-11").text


def test_a_note_is_kept_and_is_no_run(page: Any, folder: Path) -> None:
    filed(page, MISSING, "B-12")
    seen = added(page, "B-12", "note", note="<b>corroded</b> at U6\nunder the lid")
    assert "&lt;b&gt;corroded&lt;/b&gt; at U6" in seen
    held = look(folder, "B-12")
    assert len(held.entries) == 1 and len(held.kept) == 1 and not held.aside
    assert seen.count('<p class="seen">') == 1


# --- what a form becomes ------------------------------------------------------------------------


def test_nothing_that_is_entered_leaves_its_line() -> None:
    """Line ends, sections and comments in a field stay words of that field."""
    nasty = "x\n[training]\nU1 0 0 read pass # \u2028[end]"
    entered = run_text.Entered(
        "B-1",
        nasty,
        Head(board="quince-12", serial=nasty),
        {"note": nasty},
        [("VDD", "12", nasty)],
        [(nasty, "1", "1", nasty, "3")],
    )
    text = entered.text(run_text.datetime.now(run_text.UTC))
    (run,) = load(text)
    assert not run.training and run.source.complete
    assert run.head.note and "[training]" in run.head.note


@pytest.mark.parametrize("number", [12, 8, 2])
def test_every_rail_of_a_profile_can_be_entered(number: int) -> None:
    board = quince(number)
    rows = [(rail.name, "10", "settled") for rail in board.rails]
    entered = run_text.Entered("B-1", "ohms", Head(board=board.name), {}, rows)
    now = run_text.datetime.now(run_text.UTC)
    (run,) = load(run_text.checked(entered, None, now))
    assert [row.rail for row in run.rails] == [rail.name for rail in board.rails]
    assert profiles.for_run(run)[0].name == board.name


def test_the_same_work_twice_is_two_runs() -> None:
    """And neither has a date: a rig whose clock is years off does not turn the story round."""
    entered = run_text.Entered("B-1", "work", Head(board="quince-2"), {"reflowed": "U1"})
    texts = {
        entered.text(run_text.datetime(2031, 3, 5, 9, 0, second, tzinfo=run_text.UTC))
        for second in (1, 2)
    }
    assert len(texts) == 2 and all(load(text)[0].head.at is None for text in texts)


def test_the_customer_is_told_in_everyday_words(page: Any) -> None:
    filed(page, MISSING, "B-13")
    filed(page, AFTER, "B-13")
    told = page.get("/tickets/B-13/customer").text
    assert "The board is repaired." in told and "What is not promised" in told
    assert "%" not in told[told.index('<article class="letter">') :]
    where, _ = paste(page, MISSING)
    assert "The board is not repaired yet." in page.get(f"{where}/customer").text
