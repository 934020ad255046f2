"""`memdiag case` from the outside: what is typed, how it ends, and tickets as they were filed."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from memdiag.cli import main
from tests.support.twodumps import GONE, WEAK, dump

ROOT = Path(__file__).resolve().parents[2]
STORY = ("missing-package", "bare-boot", "after-swap")

Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    def run_it(*args: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["memdiag", *map(str, args)])
        with pytest.raises(SystemExit) as stop:
            main.main()
        out, err = capsys.readouterr()
        return int(stop.value.code or 0), out, err

    return run_it


def sample(name: str) -> Path:
    return ROOT / "samples" / f"{name}.dump"


def ended_as(call: Call, *args: object) -> tuple[int, bool | None]:
    """The exit status, and whether the document says that the board may be released."""
    status, out, err = call("case", *args, "--format", "json")
    assert "Traceback" not in err
    return status, json.loads(out)["release"]["allowed"] if out else None


# --- how it ends --------------------------------------------------------------------------------


def test_the_status_is_whether_the_board_may_be_released(call: Call, tmp_path: Path) -> None:
    assert ended_as(call, *map(sample, STORY)) == (0, True)
    assert ended_as(call, *map(sample, STORY[:2])) == (1, False)
    assert ended_as(call, sample("missing-package")) == (1, False)
    assert ended_as(call, sample("healthy")) == (0, True)
    weak = tmp_path / "weak.dump"
    weak.write_text(dump({"U6": WEAK}))
    assert ended_as(call, weak) == (1, False)


def test_the_runs_may_come_in_one_text_and_in_any_order(call: Call) -> None:
    assert ended_as(call, sample("four-dumps")) == (0, True)
    assert ended_as(call, *map(sample, reversed(STORY))) == (0, True)
    _, _, err = call("case", *map(sample, reversed(STORY)), "--format", "csv")
    assert "in the order of their dates" in err
    status, out, err = call("case", *map(sample, reversed(STORY)), "--any-order")
    assert status == 1 and "order of their dates" not in err
    assert out.index("1. after-swap") < out.index("2. bare") < out.index("3. before-swap")


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((sample("missing-package"), sample("weak-package")), "these runs are no one repair"),
        ((sample("missing-package"), sample("ddr4-missing")), "these runs are no one repair"),
        (("nowhere.dump",), "cannot read nowhere.dump"),
        ((sample("healthy"), "--ticket", "R-1"), "name dumps or a ticket, not both"),
        (("--ticket", "../R-1"), "has a path in it"),
        ((sample("healthy"), "--board", "nowhere.toml"), "nowhere.toml"),
        ((sample("healthy"), "--shop", "nowhere.toml"), "nowhere.toml"),
        ((sample("healthy"), "--grammar", "nobody"), "nobody"),
    ],
)
def test_what_cannot_be_used_is_said_and_nothing_is_judged(
    args: tuple[object, ...], says: str, call: Call
) -> None:
    status, out, err = call("case", *args)
    assert (status, out) == (2, "") and says in err


def test_a_ticket_without_a_run_says_where_it_looked(call: Call, tmp_path: Path) -> None:
    status, out, err = call("case", "--ticket", "R-9", "--to", tmp_path)
    assert (status, out) == (2, "") and "R-9" in err and str(tmp_path) in err


def test_removed_speaks_of_the_last_run(call: Call, tmp_path: Path) -> None:
    path = tmp_path / "bare.dump"
    path.write_text(dump({"U6": GONE}))
    _, plain, _ = call("case", path)
    _, declared, _ = call("case", path, "--removed", "U6")
    assert plain.startswith("WHERE: U6") and declared.startswith("U6: MISSING (as declared)")


# --- a ticket -----------------------------------------------------------------------------------


def test_a_filed_ticket_tells_the_same_story(call: Call, tmp_path: Path) -> None:
    for name in ("after-swap", "missing-package", "bare-boot"):  # filed as they came to hand
        call("attach", sample(name), "--ticket", "R-1187", "--to", tmp_path)
    status, filed, _ = call("case", "--ticket", "R-1187", "--to", tmp_path)
    assert status == 0
    assert filed == call("case", *map(sample, STORY))[1]


def test_a_ticket_is_judged_by_the_board_that_was_filed_with_it(call: Call, tmp_path: Path) -> None:
    """The bench that looks at the ticket may have no profile of that board."""
    mine = tmp_path / "pear-3.toml"
    profile = (ROOT / "samples" / "boards" / "quince-12.toml").read_text()
    mine.write_text(profile.replace("quince-12", "pear-3"))
    path = tmp_path / "intake.dump"
    path.write_text(dump({"U6": GONE}).replace("board  quince-12", "board  pear-3"))
    root = tmp_path / "tickets"
    call("attach", path, "--ticket", "R-1", "--to", root, "--board", mine)
    path.write_text(path.read_text().replace("id  run", "id  later"))
    call("attach", path, "--ticket", "R-1", "--to", root, "--board", mine)
    mine.unlink()
    drawn = "U6 (work here) (missing)"  # in the picture's words, so the profile was there
    told = ("case", "--ticket", "R-1", "--to", root, "--format", "html")
    assert drawn in call(*told)[1]
    first, last = sorted(root.glob("R-1/*/board.toml"))
    last.write_text("board = ")
    status, out, err = call(*told)
    assert status == 1 and drawn in out and "board.toml changed since it was filed" in err
    first.write_text("board = ")
    status, out, err = call(*told)
    assert (status, out) == (2, "") and "Traceback" not in err


def test_a_run_that_was_changed_on_disk_is_left_out_and_that_is_said(
    call: Call, tmp_path: Path
) -> None:
    for name in STORY:
        call("attach", sample(name), "--ticket", "R-1187", "--to", tmp_path)
    (last,) = tmp_path.glob("R-1187/03-*/dump.txt")
    last.write_text(last.read_text().replace("pass", "fail"))
    status, out, err = call("case", "--ticket", "R-1187", "--to", tmp_path)
    assert status == 1 and "03-after-swap" in err
    assert "2. bare" in out and "3." not in out.split("STORY")[1].split("run by run")[0]
