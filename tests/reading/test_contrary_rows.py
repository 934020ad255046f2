"""Rows that contradict themselves: each is told, or counted; none costs more than another row."""

from __future__ import annotations

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from memdiag.reading import bounds, lost_list, problem_list
from memdiag.reading.account import LineClass
from tests.reading.test_columnar import assert_same, read
from tests.support.marks import examples

ERRORS = ("[errors]", "site ch address wrote read mask edc")
WORDS = ("[errors]", "site ch address wrote read")
COUNTS = ("[counts]", "site ch test bits errors rose fell cells")
ERROR_ROWS = st.tuples(
    st.sampled_from(["U1 0", "U2 -", "u1 A", "U9 x"]),
    st.sampled_from(["0x10", "0x40", "-"]),
    st.sampled_from(["0x5a 0x5b 0x01", "0x5a 0x5a -", "0x5a 0x5b 0x03", "- - 0x00", "0x1 - -"]),
    st.sampled_from(["ok", "bad", "odd"]),
)
COUNT_ROWS = st.tuples(
    st.sampled_from(["U1 0", "U2 -", "u1 A"]),
    st.sampled_from(["walk", "-"]),
    st.sampled_from(["1000 3 1 2 2", "1000 3 3 3 -", "2 3 - - -", "9 1 - - 2", "- 2 1 1 x"]),
)
BETWEEN = st.sampled_from(["# a remark", "what is this", "", "U1 0"])


@pytest.mark.parametrize(("table", "rows"), [(ERRORS, ERROR_ROWS), (COUNTS, COUNT_ROWS)])
@given(st.data(), st.integers(100, 4000), st.integers(0, 6))
@settings(max_examples=examples(60), deadline=None)
def test_in_columns_and_line_by_line_they_are_the_same(
    table: tuple[str, str], rows: st.SearchStrategy, data: st.DataObject, window: int, told: int
) -> None:
    """Most of them are only counted here: so few are told one by one."""
    lines = [" ".join(row) for row in data.draw(st.lists(rows, min_size=20, max_size=120))]
    for each in data.draw(st.lists(BETWEEN, max_size=6)):
        lines.insert(data.draw(st.integers(0, len(lines))), each)
    text = "\n".join(("bench-dump 1", *table, *lines, f"[end] {len(lines)}", ""))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(problem_list, "MOST_ALIKE", told)
        patch.setattr(lost_list, "MOST_LOST", told)
        fast = read(text, "bench", in_columns=True, window=window)
        assert_same(fast, read(text, "bench", in_columns=False))


@pytest.mark.parametrize("most", [150, 400])
@given(st.lists(st.booleans(), min_size=700, max_size=1200))
@settings(max_examples=8, deadline=None, phases=[Phase.generate])
def test_a_text_of_them_is_given_up_at_the_same_line(most: int, good: list[bool]) -> None:
    lines = [f"U1 0 {i:#x} 0x1 0x{0 if fine else 1}" for i, fine in enumerate(good)]
    text = "\n".join(
        ("bench-dump 1", "[errors]", "site ch address wrote read", *lines, "[end]", "")
    )
    ends = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bounds, "MOST_NOT_UNDERSTOOD", most)
        patch.setattr(problem_list, "MOST_ALIKE", 3)
        patch.setattr(lost_list, "MOST_LOST", 3)
        for in_columns in (True, False):
            try:
                reading = read(text, "bench", in_columns=in_columns, window=5000)
                ends.append([each.source for each in reading.runs])
            except bounds.Refused as refused:
                ends.append((refused.problem.code, refused.problem.position))
    assert ends[0] == ends[1]


def test_many_are_counted_and_not_read_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of the rows: as many lines are read by themselves as are told, and a few more."""
    from memdiag.reading import stream

    alone = []
    real = stream.Road.read_lines
    monkeypatch.setattr(
        stream.Road,
        "read_lines",
        lambda self, data: (alone.append(data.count(b"\n")), real(self, data))[1],
    )
    lines = [f"U1 0 {i:#x} 0x1 0x{i % 2}" for i in range(20_000)]
    text = "\n".join(
        ("bench-dump 1", "[errors]", "site ch address wrote read", *lines, "[end]", "")
    )
    reading = read(text, "bench", in_columns=True, window=1 << 20)
    (run,) = reading.runs
    assert (run.source.rows, run.source.printed, run.source.lost) == (10_000, 20_000, 10_000)
    assert reading.account.count()[LineClass.PROBLEM] == 10_000
    (more,) = (p for p in run.problems if p.code == "more-alike")
    assert "9,900" in more.message and "20003" in more.message
    assert len(run.lost) == lost_list.MOST_LOST
    assert sum(alone) < 600
