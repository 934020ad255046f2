"""Entries that hands or disks spoilt: said, set aside, and the rest of the ticket goes on."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.ledger import entries as folders
from memdiag.ledger.entries import Survey, survey
from memdiag.ledger.store import entries, file_entry
from tests.ledger.test_tickets import AFTER, BARE, INTAKE, file
from tests.support.marks import examples

SUMS = "SHA256SUMS"


def resum(folder: Path) -> None:
    """The list made anew, as someone does who knows what they did."""
    names = sorted(p.name for p in folder.iterdir() if p.is_file() and p.name != SUMS)
    lines = (f"{hashlib.sha256((folder / n).read_bytes()).hexdigest()}  {n}\n" for n in names)
    (folder / SUMS).write_text("".join(lines))


def with_about(folder: Path, text: str) -> None:
    (folder / "entry.json").write_text(text)
    resum(folder)


def _no_number(folder: Path) -> None:
    with_about(folder, json.dumps({"format": "memdiag-entry/1", "removed": 5}))


def _deep(folder: Path) -> None:
    with_about(folder, '{"more": ' + "[" * 200_000 + "]" * 200_000 + "}")


def _no_list(folder: Path) -> None:
    (folder / SUMS).unlink()


def _pipe(folder: Path) -> None:
    (folder / SUMS).unlink()
    os.mkfifo(folder / SUMS)


def _pipe_about(folder: Path) -> None:
    (folder / "entry.json").unlink()
    os.mkfifo(folder / "entry.json")


def _link(folder: Path) -> None:
    (folder / SUMS).rename(folder / "elsewhere")
    (folder / SUMS).symlink_to(folder / "elsewhere")


def _a_folder(folder: Path) -> None:
    (folder / SUMS).unlink()
    (folder / SUMS).mkdir()


def _no_text(folder: Path) -> None:
    (folder / SUMS).write_bytes(b"\xff\xfe\x00")


def _empty(folder: Path) -> None:
    (folder / SUMS).write_bytes(b"")


def _endless(folder: Path) -> None:
    with (folder / SUMS).open("wb") as stream:
        stream.truncate(1 << 40)


DAMAGE: list[tuple[Callable[[Path], None], str]] = [
    (_no_number, "its entry.json cannot be used"),
    (_deep, "its entry.json cannot be used"),
    (_no_list, f"it has no {SUMS}"),
    (_pipe, "it is no plain file"),
    (_pipe_about, "it is no plain file"),
    (_link, f"its {SUMS} cannot be read"),
    (_a_folder, f"its {SUMS} cannot be read"),
    (_no_text, f"its {SUMS} is no text"),
    (_empty, f"its {SUMS} names no dump of that hash"),
    (_endless, "it is too large"),
]


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ticket of two entries."""
    root = tmp_path_factory.mktemp("two")
    file(root, INTAKE)
    file(root, BARE)
    return root


@pytest.mark.skipif(sys.platform == "win32", reason="no pipes with a name")
@pytest.mark.parametrize(("spoil", "said"), DAMAGE, ids=lambda one: getattr(one, "__name__", ""))
def test_a_damaged_entry_is_said_and_the_rest_goes_on(
    two: Path, tmp_path: Path, spoil: Callable[[Path], None], said: str
) -> None:
    """The damaged one lies between two whole ones, which are still compared."""
    shutil.copytree(two, tmp_path, dirs_exist_ok=True)
    spoilt = entries(tmp_path, "R-2041")[1].folder
    spoil(spoilt)
    done = file(tmp_path, AFTER)
    assert done.filed.fresh and done.filed.entry.number == 3
    notes = [note for note in done.notes if note.startswith(f"{spoilt.name} is set aside: ")]
    assert len(notes) == 1 and said in notes[0]
    assert done.comparison is not None and done.comparison.outcome.value == "repaired"
    assert done.comparison.before.head.stage == "intake"


def test_a_folder_of_one_s_own_in_a_ticket_is_no_damage(tmp_path: Path) -> None:
    file(tmp_path, INTAKE)
    (tmp_path / "R-2041" / "photos").mkdir()
    (tmp_path / "R-2041" / "02 letter.txt").write_text("dear customer")
    assert file(tmp_path, AFTER).notes == []


def test_a_list_cannot_name_a_file_elsewhere(tmp_path: Path) -> None:
    entry = file(tmp_path, INTAKE).filed.entry
    secret = tmp_path / "dump.secret"
    secret.write_text("elsewhere")
    sha = hashlib.sha256(b"elsewhere").hexdigest()
    other = entry.folder.with_name(f"02-intake-{sha[:12]}")
    shutil.copytree(entry.folder, other)
    (other / SUMS).write_text(f"{sha}  dump./../../../dump.secret\n")
    found = survey(tmp_path / "R-2041")
    assert [e.folder for e in found.entries] == [entry.folder]
    assert found.aside == (f"{other.name} is set aside: its {SUMS} names no dump of that hash",)


@settings(max_examples=examples(150), deadline=None)
@given(st.binary(max_size=400))
def test_any_list_of_sums_is_an_entry_or_is_set_aside(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes
) -> None:
    home = tmp_path_factory.mktemp("ticket")
    folder = home / f"01-intake-{'ab' * 6}"
    folder.mkdir()
    (folder / SUMS).write_bytes(junk)
    found = survey(home)
    assert len(found.entries) + len(found.outcomes) + len(found.aside) == 1
    assert found.last == 1


def test_numbers_go_on_after_what_is_set_aside(tmp_path: Path) -> None:
    """The folder that is set aside keeps its number: nothing is filed in its place."""

    def nothing(_before: Survey) -> dict[str, bytes]:
        return {}

    file_entry(tmp_path, "R-1", b"one", "intake", nothing)
    last = file_entry(tmp_path, "R-1", b"two", "intake", nothing).entry.folder
    (last / folders.SUMS).unlink()
    assert file_entry(tmp_path, "R-1", b"three", "intake", nothing).entry.number == 3
    assert [e.number for e in entries(tmp_path, "R-1")] == [1, 3]
