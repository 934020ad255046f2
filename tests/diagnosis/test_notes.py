"""What stands under a verdict about sites of which it knows nothing."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.diagnosis import wording
from memdiag.diagnosis.judge import judge
from memdiag.model import Lost, LostKind, Place
from memdiag.model.problems import Position
from memdiag.reading.load import load
from tests.support.benchtext import dump


def notes(absent: Sequence[str], lost: Sequence[tuple[int, Place | None]]) -> tuple[str, ...]:
    """The notes on a dump of quince-12 without the rows of the sites `absent`, of which these
    lines were not understood."""
    board = profiles.find("quince-12")
    assert board is not None
    kept = [x for x in dump(board).splitlines() if x.partition(" ")[0] not in absent]
    (run,) = load("\n".join(x for x in kept if not x.startswith("[end]")) + "\n[end]\n")
    gone = tuple(Lost(Position(line), LostKind.ROW, "x", place) for line, place in lost)
    return judge(replace(run, lost=gone), board).notes


def test_a_site_of_which_no_row_speaks_is_named() -> None:
    assert "the dump says nothing of U2, U9" in notes(["U2", "U9"], [])


def test_a_site_whose_rows_were_not_understood_was_spoken_of() -> None:
    said = notes(["U2", "U9"], [(31, Place("U2", 2)), (14, Place("U2", 3)), (15, None)])
    assert "the dump says nothing of U9" in said
    assert "the dump has rows of U2 that were not understood: lines 14 and 31" in said


def test_a_channel_tells_the_site_it_belongs_to() -> None:
    """Channel 3 of quince-12 is U2's; a row of the whole board speaks of no site."""
    said = notes(["U2"], [(14, Place(channel=3)), (20, Place())])
    assert "the dump has rows of U2 that were not understood: line 14" in said
    assert not any("says nothing" in note for note in said)


def test_a_site_with_other_rows_needs_no_note() -> None:
    assert not any("U3" in note for note in notes(["U2"], [(14, Place("U3"))]))


@pytest.mark.parametrize(
    ("numbers", "shown"),
    [
        ([12], "line 12"),
        ([12, 14], "lines 12 and 14"),
        ([1, 2, 3, 4, 5, 6], "lines 1, 2, 3, 4, 5 and 6"),
        (list(range(1, 10)), "lines 1, 2, 3, 4, 5, 6 and 3 more"),
    ],
)
def test_lines_are_listed(numbers: list[int], shown: str) -> None:
    assert wording.lines(numbers) == shown
