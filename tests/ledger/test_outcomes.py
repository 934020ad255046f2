"""Outcomes: appended to the ticket, kept whatever they say, and taken from a case."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.ledger.entries import Noted, damaged, survey
from memdiag.ledger.errors import LedgerError
from memdiag.ledger.outcomes import CAUSES, Claim, kinds, proved, read, record, understood
from memdiag.ledger.store import TicketError
from tests.support import schemas
from tests.support.marks import examples
from tests.support.tickets import filed, finding, scope, verdict

NOW = datetime(2031, 3, 6, 8, 30, tzinfo=UTC)
MISSING = finding("U6", "missing", 0.97)


def ticket(root: Path) -> None:
    """U6 missing, then replaced and clear."""
    filed(root, "R-1", verdict(MISSING, stage="intake"))
    filed(root, "R-1", verdict(stage="after-swap", replaced="U6"))


def outcome(root: Path, number: int) -> dict[str, Any]:
    (folder,) = (root / "R-1").glob(f"{number:02d}-outcome-*")
    found: dict[str, Any] = json.loads((folder / "outcome.json").read_text())
    schemas.check(found, "memdiag-outcome-1")
    return found


# --- recorded -----------------------------------------------------------------------------------


def test_an_outcome_is_appended_to_the_ticket_s_folder_with_its_sums(tmp_path: Path) -> None:
    ticket(tmp_path)
    done = record(tmp_path, "R-1", Claim("missing", "yes", "u6", note="dead"), NOW)
    assert done.fresh and done.against == () and done.folder.name.startswith("03-outcome-")
    found = outcome(tmp_path, 3)
    assert (found["site"], found["was"], found["cured"]) == ("U6", "missing", "yes")
    assert found["recorded"] == "2031-03-06T08:30:00+00:00" and found["proof"] == "technician"
    assert len(found["after"]) == 2
    (noted,) = survey(tmp_path / "R-1").outcomes
    assert damaged(noted) == () and read(noted).claim() == done.claim


def test_what_was_said_last_counts_and_nothing_is_changed(tmp_path: Path) -> None:
    """The same again changes nothing; a change of mind, and back again, are each appended."""
    ticket(tmp_path)
    yes, no = Claim("missing", "yes", "U6"), Claim("missing", "no", "U6")
    folders = [record(tmp_path, "R-1", claim, NOW) for claim in (yes, yes, no, yes, yes)]
    assert [done.fresh for done in folders] == [True, False, True, True, False]
    assert [o.number for o in survey(tmp_path / "R-1").outcomes] == [3, 4, 5]
    assert folders[1].folder == folders[0].folder and folders[4].folder == folders[3].folder
    assert record(tmp_path, "R-1", Claim("clear", site="U2"), NOW).fresh  # another place


def test_an_outcome_of_no_ticket_is_refused(tmp_path: Path) -> None:
    (tmp_path / "R-2").mkdir()
    for name in ("R-1", "R-2"):
        with pytest.raises(LedgerError) as caught:
            record(tmp_path, name, Claim("weak", "yes", "U6"))
        assert caught.value.problem.code == "outcome-no-ticket"
    assert not (tmp_path / "R-1").exists() and not list((tmp_path / "R-2").iterdir())
    with pytest.raises(TicketError, match="a path in it"):
        record(tmp_path, "../R-1", Claim("weak"))


@pytest.mark.parametrize(
    ("claim", "near"),
    [
        (Claim("weak", site="U66"), "U6"),
        (Claim("weak", site="D12"), ""),
        (Claim("supply", rail="VDD_MEM_X"), "VDD_MEM"),
    ],
)
def test_a_place_that_the_board_does_not_have_is_refused(
    tmp_path: Path, claim: Claim, near: str
) -> None:
    ticket(tmp_path)
    with pytest.raises(LedgerError) as caught:
        record(tmp_path, "R-1", claim)
    assert caught.value.problem.code == "outcome-no-site" and near in caught.value.problem.message


def test_of_a_board_without_a_profile_any_place_is_taken(tmp_path: Path) -> None:
    filed(tmp_path, "R-1", verdict(MISSING, board="pear-3"))
    assert record(tmp_path, "R-1", Claim("weak", site="U66")).claim.site == "U66"


@pytest.mark.parametrize("was", [*CAUSES, *kinds()])
def test_causes_and_kinds_are_understood(was: str) -> None:
    cause, kind = understood(was.upper())
    assert cause in CAUSES and kind in (None, was)


@pytest.mark.parametrize(("was", "near"), [("wek", "weak"), ("spillover", ""), ("", "")])
def test_what_no_outcome_can_be_is_refused_with_the_nearest(was: str, near: str) -> None:
    with pytest.raises(LedgerError) as caught:
        understood(was)
    assert near in caught.value.problem.message and "missing, weak" in caught.value.problem.hint


# --- against the record -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("claim", "said"),
    [
        (Claim("missing", "yes", "U6"), []),
        (Claim("missing", "unknown", "U6"), []),
        (Claim("weak", "yes", "U6"), ["01-intake", "says U6 missing (97 %)"]),
        (Claim("clear", "unknown", "U6"), ["01-intake", "says U6 missing (97 %)"]),
        (Claim("missing", "yes", "U2"), ["says U6 missing (97 %)"]),
        (Claim("missing", "no", "U6"), ["02-after-swap", "lets the board go"]),
        (Claim("clear", "unknown", "U2"), []),
    ],
)
def test_what_speaks_against_the_record_is_kept_and_said(
    tmp_path: Path, claim: Claim, said: list[str]
) -> None:
    ticket(tmp_path)
    done = record(tmp_path, "R-1", claim, NOW)
    assert done.fresh and bool(done.against) is bool(said)
    assert outcome(tmp_path, 3)["against"] == list(done.against)
    for words in said:
        assert any(words in text for text in done.against), done.against


def test_cured_though_the_last_run_keeps_the_board_is_said(tmp_path: Path) -> None:
    filed(tmp_path, "R-1", verdict(MISSING))
    (said,) = record(tmp_path, "R-1", Claim("missing", "yes", "U6")).against
    assert "does not let the board go: U6 is missing" in said


def test_a_clear_ticket_with_a_fault_is_said(tmp_path: Path) -> None:
    filed(tmp_path, "R-1", verdict())
    (said,) = record(tmp_path, "R-1", Claim("weak", site="U6")).against
    assert said == "no verdict of the ticket says that anything is wrong at U6"


def test_what_is_undecided_or_declared_speaks_against_nothing(tmp_path: Path) -> None:
    open_ = finding("U6", "undecided", 0.4, action="retest")
    bare = finding("U7", "missing", 0.99, expected=True, action="fit")
    filed(tmp_path, "R-1", verdict(open_, bare))
    assert record(tmp_path, "R-1", Claim("weak", site="U6")).against == ()


# --- from a case --------------------------------------------------------------------------------


def case(root: Path, *established: dict[str, Any], **more: Any) -> bytes:
    """`memdiag-case/1` as far as outcomes are taken from it (the contract, section 5)."""
    runs = [{"run": {}, "sha256": e.sha256} for e in survey(root / "R-1").entries]
    made = {"format": "memdiag-case/1", "runs": runs, "steps": []}
    return json.dumps(made | {"established": list(established)} | more).encode()


def established(cured_by: int | None, cause: str = "missing", **place: Any) -> dict[str, Any]:
    where = scope(**(place or {"site": "U6"}))
    return finding("U6", cause, 0.999) | {"scope": where, "cured_by": cured_by}


def test_a_case_proves_what_it_names_the_cure_of(tmp_path: Path) -> None:
    ticket(tmp_path)
    document = case(
        tmp_path,
        established(1),
        established(None, "weak"),
        established(1, "supply", rail="VDD_MEM_A"),
        established(1, "spillover", site="U7"),
        established(1) | {"expected": True},
    )
    claims = proved(document, "R-1", survey(tmp_path / "R-1"))
    assert claims == (
        Claim("missing", "yes", "U6", proof="case", probability=0.999),
        Claim("supply", "yes", rail="VDD_MEM_A", proof="case", probability=0.999),
    )
    record(tmp_path, "R-1", claims[0], NOW)
    assert outcome(tmp_path, 3)["proof"] == "case"


def test_a_technician_who_says_otherwise_than_the_case_is_kept_and_told(tmp_path: Path) -> None:
    ticket(tmp_path)
    (claim,) = proved(case(tmp_path, established(1)), "R-1", survey(tmp_path / "R-1"))
    record(tmp_path, "R-1", claim, NOW)
    done = record(tmp_path, "R-1", Claim("joint", "yes", "U6"), NOW)
    assert done.fresh and any("(proved by the case) says U6 missing" in s for s in done.against)


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        ({"format": "memdiag-verdict/1"}, "its format is memdiag-verdict/1"),
        ({"runs": [{"sha256": "f" * 64}]}, "runs that this ticket does not hold"),
        ({"runs": []}, "runs that this ticket does not hold"),
        ({"established": 5}, "Expected `array`"),
    ],
)
def test_what_is_no_case_of_the_ticket_is_refused(
    tmp_path: Path, more: dict[str, Any], reason: str
) -> None:
    ticket(tmp_path)
    with pytest.raises(LedgerError, match="is no case of ticket R-1") as caught:
        proved(case(tmp_path, established(1), **more), "R-1", survey(tmp_path / "R-1"))
    assert reason in str(caught.value)


@settings(max_examples=examples(100), deadline=None)
@given(st.one_of(st.binary(max_size=200), st.just(b"[" * 100_000)))
def test_any_bytes_are_a_case_or_are_refused(junk: bytes) -> None:
    with pytest.raises(LedgerError):
        proved(junk, "R-1", survey(Path("/nonexistent")))


@settings(max_examples=examples(100), deadline=None)
@given(junk=st.one_of(st.binary(max_size=200), st.just(b'{"was": ' + b"[" * 100_000)))
def test_any_bytes_are_an_outcome_or_are_refused(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes
) -> None:
    import hashlib

    folder = tmp_path_factory.mktemp("outcome")
    (folder / "outcome.json").write_bytes(junk)
    with pytest.raises(ValueError):
        read(Noted(folder, 1, hashlib.sha256(junk).hexdigest()))
    (folder / "outcome.json").write_bytes(junk + b" ")
    with pytest.raises(ValueError, match="no longer what was filed"):
        read(Noted(folder, 1, hashlib.sha256(junk).hexdigest()))
