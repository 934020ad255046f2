"""`memdiag baseline -o`: the file it writes is the profile, and a better one."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from memdiag.boards import profiles
from memdiag.cli import main
from tests.repair.test_baseline import baseline, dump

ROOT = Path(__file__).resolve().parents[2]
TWO = ROOT / "samples" / "boards" / "quince-2.toml"


@pytest.fixture
def ran(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    def run(*words: str | Path) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["memdiag", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            main.main()
        out, err = capsys.readouterr()
        return int(stop.value.code or 0), out, err

    return run


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.dump"
    path.write_text(dump() + dump(0.62, serial="A2"), encoding="utf-8")
    return path


def test_the_profile_is_written_whole_and_can_be_used(ran, good: Path, tmp_path: Path) -> None:
    made = tmp_path / "with.toml"
    status, out, err = ran("baseline", TWO, good, "-o", made)
    assert status == 0 and out == ""
    assert "baseline of 2 good boards" in err
    assert made.read_text(encoding="utf-8").startswith(TWO.read_text(encoding="utf-8"))
    assert profiles.read(made).baseline == baseline(good.read_text(encoding="utf-8"))
    # Learning again from the profile that holds it already changes nothing.
    before = made.read_bytes()
    assert ran("baseline", made, good, "-o", made)[0] == 0
    assert made.read_bytes() == before
    status, out, _ = ran("board", "check", made)
    assert status == 0 and "baseline of 2 good boards" in out and "read eye width 0.62 UI" in out


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_the_mark_and_the_line_ends_of_the_profile_stay(
    mark: bytes, ran, good: Path, tmp_path: Path
) -> None:
    profile, made = tmp_path / "p.toml", tmp_path / "made.toml"
    profile.write_bytes(mark + TWO.read_bytes().replace(b"\n", b"\r\n"))
    assert ran("baseline", profile, good, "-o", made)[0] == 0
    assert made.read_bytes().startswith(profile.read_bytes())
    assert made.read_bytes().count(b"\n") == made.read_bytes().count(b"\r\n")
    assert profiles.read(made).baseline == baseline(good.read_text(encoding="utf-8"))


def test_what_cannot_be_replaced_is_told_and_left_alone(ran, good: Path, tmp_path: Path) -> None:
    profile = tmp_path / "p.toml"
    profile.write_text("baseline.boards = 3\n" + TWO.read_text(encoding="utf-8"), encoding="utf-8")
    before = profile.read_bytes()
    status, out, err = ran("baseline", profile, good, "-o", profile)
    assert status == 2 and out == "" and "[baseline] cannot be replaced" in err
    assert profile.read_bytes() == before


def test_a_profile_that_leaves_its_centroid_file_behind_is_told(
    ran, good: Path, tmp_path: Path
) -> None:
    profile, other = tmp_path / "p.toml", tmp_path / "other"
    profile.write_text('centroid = "at.csv"\n' + TWO.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "at.csv").write_text("Ref,X (mm),Y (mm)\nU1,1,2\nU2,3,4\n")
    other.mkdir()
    assert "centroid" not in ran("baseline", profile, good, "-o", tmp_path / "q.toml")[2]
    said = ran("baseline", profile, good, "-o", other / "q.toml")[2]
    assert "names the centroid file at.csv, which does not lie beside it" in said
    assert f"(copy it there from {tmp_path})" in said


def test_one_input_that_is_no_dump_costs_itself_alone(ran, good: Path, tmp_path: Path) -> None:
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear customer,\nthe board is on its way.\n", encoding="utf-8")
    status, out, err = ran("baseline", TWO, good, letter, tmp_path / "nowhere.dump")
    assert status == 1 and "boards = 2" in out
    assert "letter.txt holds no dump" in err and "nowhere.dump" in err
    status, out, err = ran("baseline", TWO, letter)
    assert status == 2 and out == "" and "nothing was learnt" in err


def test_a_faulty_board_is_refused_by_name(ran, good: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.dump"
    bad.write_text(dump(serial="A7", id="Q2-13", read="fail"), encoding="utf-8")
    status, out, err = ran("baseline", TWO, good, bad)
    assert status == 1 and "boards = 2" in out
    assert "bad.dump, Q2-13 is not learnt from" in err
