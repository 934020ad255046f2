"""Which lane and data line each bit of an error word is.

The rule of the dump format: bits run from dq 0 of the lowest lane named, least significant first,
upwards through the lanes; a word wider than that holds successive beats, first beat least
significant. A plain reference below follows it bit by bit.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import Struct, field

from memdiag.boards import profiles
from memdiag.evidence import byte_sums, lane_tallies, table
from memdiag.evidence.build import gather
from memdiag.evidence.byte_sums import ByteSums
from memdiag.evidence.lane_tallies import LaneTally
from memdiag.evidence.measurements import measure
from memdiag.model import Board
from memdiag.reading.load import load
from tests.support.marks import examples

COLUMNS = "site ch rank lane address wrote read edc"


def board(name: str) -> Board:
    found = profiles.find(name)
    assert found is not None
    return found


def dump(name: str, lines: list[str], columns: str = COLUMNS) -> str:
    head = ["bench-dump 1", "[run]", f"board  {name}", "[errors]", columns]
    return "\n".join([*head, *lines, f"[end] {len(lines)}", ""])


def tallies(
    name: str, lines: list[str], columns: str = COLUMNS
) -> dict[tuple[object, object], LaneTally]:
    (run,) = load(dump(name, lines, columns))
    board_, _ = profiles.for_run(run, None)
    return {(t.place.channel, t.place.lane): t for t in lane_tallies.tallies(run.errors, board_)}


# ---- by hand, on the three boards ----


def test_a_word_of_one_lane() -> None:
    """quince-12, lane 1 of channel 4: 0x81 wrong is dq 0 and dq 7."""
    found = tallies("quince-12", ["U3 4 0 1 0x40 0x00 0x81 -"])
    ((place, t),) = found.items()
    assert place == (4, 1)
    assert t.place.site == "U3"
    assert t.wrong.tolist() == [1, 0, 0, 0, 0, 0, 0, 1]
    assert t.rose.tolist() == t.wrong.tolist() and not t.fell.any()


def test_a_word_of_a_channel_runs_up_through_its_lanes() -> None:
    """quince-8, one channel of eight lanes: bit 8 is dq 0 of lane 1, bit 63 dq 7 of lane 7."""
    ch = board("quince-8").channels[0]
    wrote, read = "0x0000000000000000", "0x8000000000000100"
    found = tallies("quince-8", [f"- {ch} 0 - 0x40 {wrote} {read} -"])
    assert set(found) == {(ch, 1), (ch, 7)}
    assert found[ch, 1].wrong.tolist() == [1, 0, 0, 0, 0, 0, 0, 0]
    assert found[ch, 7].wrong.tolist() == [0, 0, 0, 0, 0, 0, 0, 1]
    assert found[ch, 1].place.site != found[ch, 7].place.site  # each lane is its own package's


def test_a_word_of_a_site_runs_up_through_the_lanes_it_owns() -> None:
    """quince-8: the package of one lane has that lane's eight bits, whatever its number."""
    on = board("quince-8")
    site = next(s for s in on.sites if s.links[0].lane == 5)
    found = tallies("quince-8", [f"{site.ref} - - - 0x40 0x00 0x04 -"])
    assert set(found) == {(on.channels[0], 5)}
    assert found[on.channels[0], 5].wrong[2] == 1


def test_a_wider_word_holds_successive_beats() -> None:
    """One lane, 32 bits: four beats. dq 3 is wrong in the first and the last of them."""
    found = tallies("quince-12", ["U3 4 0 0 0x40 0x00000000 0x08000008 -"])
    assert found[4, 0].wrong.tolist() == [0, 0, 0, 2, 0, 0, 0, 0]


def test_a_word_of_two_lanes_and_two_beats() -> None:
    """quince-12, channel 4 owns lanes 0 and 1. Of 32 bits, bit 16 begins the second beat."""
    found = tallies("quince-12", ["U3 4 0 - 0x40 0x00000000 0x02010000 -"])
    assert found[4, 0].wrong.tolist() == [1, 0, 0, 0, 0, 0, 0, 0]
    assert found[4, 1].wrong.tolist() == [0, 1, 0, 0, 0, 0, 0, 0]


def test_a_mask_has_no_direction() -> None:
    found = tallies("quince-12", ["U3 4 0 0 0x40 0x11 ok"], "site ch rank lane address mask edc")
    t = found[4, 0]
    assert t.wrong.sum() == 2
    assert not t.rose.any() and not t.fell.any()
    assert (t.edc_ok, t.edc_bad) == (1, 0)


def test_ones_and_zeros_say_what_the_pattern_exercised() -> None:
    """A line that was never written 0 cannot show that it is stuck at 1."""
    rows = ["U3 4 0 0 0x40 0xff 0xfe bad", "U3 4 0 0 0x80 0x0f 0x0e bad"]
    t = tallies("quince-12", rows)[4, 0]
    assert t.ones.tolist() == [2, 2, 2, 2, 1, 1, 1, 1]
    assert t.zeros.tolist() == [0, 0, 0, 0, 1, 1, 1, 1]
    assert t.fell.tolist() == [2, 0, 0, 0, 0, 0, 0, 0]
    assert t.edc_bad == 2


def test_together_and_apart_tell_a_bridge_from_two_opens() -> None:
    """Written 01, read 11: one line wrong where both were written unlike, never both at once."""
    rows = [f"U3 4 0 0 {64 * i:#x} {w:#04x} 0x03 -" for i, w in enumerate((1, 2, 1, 2))]
    t = tallies("quince-12", rows)[4, 0]
    assert t.both[0, 1] == t.both[1, 0] == 0
    assert t.apart[0, 1] == t.apart[1, 0] == 0
    rows = [f"U3 4 0 0 {64 * i:#x} {w:#04x} 0x03 -" for i, w in enumerate((0, 0, 1, 2))]
    t = tallies("quince-12", rows)[4, 0]
    assert t.both[0, 1] == 2
    assert t.apart[0, 1] == 2


def test_repeats_of_an_address_are_one_cell() -> None:
    rows = [f"U3 4 0 0 0x40 {2 * i:#04x} {2 * i + 1:#04x} -" for i in range(5)]
    t = tallies("quince-12", rows)[4, 0]
    assert (t.rows, t.cells, t.wrong[0]) == (5, 1, 5)


@pytest.mark.parametrize(("wrote", "read"), [("0x01", "0x00"), ("0x40", "0x00"), ("0x1", "0x0")])
def test_a_row_of_one_line_counts_for_that_line(wrote: str, read: str) -> None:
    """Printed as a bit or at its place in the byte; the other lines are not spoken of."""
    columns = "site ch rank lane dq address wrote read"
    t = tallies("quince-12", [f"U3 4 0 0 6 0x40 {wrote} {read}"], columns)[4, 0]
    assert t.wrong.tolist() == t.fell.tolist() == t.ones.tolist() == [0, 0, 0, 0, 0, 0, 1, 0]
    assert not t.rose.any() and not t.zeros.any()
    assert t.apart.sum() == t.apart[6, 6]


def test_no_errors_no_tallies() -> None:
    assert lane_tallies.tallies(None, board("quince-12")) == []


# ---- against the reference ----


class Plain(Struct):
    """What a reference that goes bit by bit counts for one lane."""

    wrong: list[int] = field(default_factory=lambda: [0] * 8)
    rose: list[int] = field(default_factory=lambda: [0] * 8)
    fell: list[int] = field(default_factory=lambda: [0] * 8)
    both: dict[tuple[int, int], int] = field(default_factory=lambda: defaultdict(int))
    apart: dict[tuple[int, int], int] = field(default_factory=lambda: defaultdict(int))
    rows: int = 0


def by_hand(pairs: list[tuple[int, int]], lanes: list[int], width: int) -> dict[int, Plain]:
    found: dict[int, Plain] = {}
    per_beat = 8 * len(lanes)
    for wrote, read in pairs:
        touched = set()
        for beat in range(max(1, width // per_beat)):
            for i, lane in enumerate(lanes):
                start = beat * per_beat + 8 * i
                was, got = (wrote >> start) & 0xFF, (read >> start) & 0xFF
                bad = [dq for dq in range(8) if (was ^ got) >> dq & 1]
                if bad:
                    touched.add(lane)
                    found.setdefault(lane, Plain())
                for dq in bad:
                    one = found[lane]
                    one.wrong[dq] += 1
                    (one.rose if got >> dq & 1 else one.fell)[dq] += 1
                    for other in range(8):
                        one.both[dq, other] += other in bad
                        one.apart[dq, other] += (was >> dq & 1) == (was >> other & 1)
        for lane in touched:
            found[lane].rows += 1
    return found


@settings(max_examples=examples(60), deadline=None)
@given(st.data())
def test_every_bit_lands_where_the_rule_says(data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(["quince-12", "quince-8", "quince-2"]))
    on = board(name)
    channel = data.draw(st.sampled_from(on.channels))
    owned = list(on.lanes_of(channel))
    alone = data.draw(st.booleans())
    lanes = [data.draw(st.sampled_from(owned))] if alone else owned
    beats = data.draw(st.sampled_from([1, 2, 4]))
    width = 8 * len(lanes) * beats
    word = st.integers(0, 2**width - 1)
    pairs = data.draw(
        st.lists(st.tuples(word, word).filter(lambda p: p[0] != p[1]), min_size=1, max_size=6)
    )
    digits = width // 4 + 2
    lane = str(lanes[0]) if alone else "-"
    rows = [
        f"- {channel} 0 {lane} {64 * i:#x} {w:#0{digits}x} {r:#0{digits}x} -"
        for i, (w, r) in enumerate(pairs)
    ]
    found = tallies(name, rows)
    expected = by_hand(pairs, lanes, width)
    assert {lane for _, lane in found} == set(expected)
    for lane_, plain in expected.items():
        t = found[channel, lane_]
        assert t.wrong.tolist() == plain.wrong
        assert t.rose.tolist() == plain.rose
        assert t.fell.tolist() == plain.fell
        assert t.rows == plain.rows
        for (i, j), n in plain.both.items():
            assert t.both[i, j] == n
        for (i, j), n in plain.apart.items():
            assert t.apart[i, j] == n


@pytest.mark.parametrize("few", [0, 1 << 20])
@settings(max_examples=examples(40), deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 255), st.integers(0, 255), st.integers(1, 9)), min_size=1),
    st.sampled_from([(), (3,)]),
)
def test_bytes_add_up_one_by_one(
    few: int, found: list[tuple[int, int, int]], lines: tuple[int, ...]
) -> None:
    """However many there are: counted by value first or not, against a plain loop."""
    wrong, wrote, times = (np.array(c) for c in zip(*found, strict=True))
    sums = ByteSums()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(byte_sums, "_FEW", few)
        sums.add(wrong.astype(np.uint8), wrote.astype(np.uint8), times, lines or range(8))
    both, apart, rose = np.zeros((8, 8)), np.zeros((8, 8)), np.zeros(8)
    for bad, was, n in found:
        for i in range(8):
            rose[i] += n * (bad >> i & 1 and not was >> i & 1 and i in (lines or range(8)))
            for j in range(8):
                both[i, j] += n * (bad >> i & 1 and bad >> j & 1)
                told = {i, j} <= set(lines or range(8))
                apart[i, j] += n * (bad >> i & 1 and told and (was >> i & 1) == (was >> j & 1))
    assert (sums.both == both).all() and (sums.apart == apart).all()
    assert (sums.wrong == both.diagonal()).all() and (sums.rose == rose).all()
    spans = [sum(n for bad, _, n in found if bad.bit_count() == k) for k in range(1, 9)]
    assert sums.spans[1:].tolist() == spans


def test_as_many_settings_as_rows_are_one_lane() -> None:
    """A rig may print a temperature of its own with each row."""
    rows = [f"U3 4 0 - {64 * i:#x} 0x00 0x01 ok {i / 10}" for i in range(500)]
    (tally,) = tallies("quince-12", rows, COLUMNS + " temp").values()
    assert (tally.rows, tally.cells, tally.wrong[0]) == (500, 500, 500)


# --- rows that say where a word was wrong, and not which bits -----------------------------------

BLANK = "site ch lane address"


def test_a_row_without_words_is_a_wrong_word_of_its_lane_and_of_no_line() -> None:
    (tally,) = tallies("quince-12", ["U3 4 0 0x40", "U3 4 0 0x80"], BLANK).values()
    assert (tally.rows, tally.blank, tally.wrong_bits) == (2, 2, 2)
    assert not tally.wrong.any() and not tally.both.any() and tally.cells == 2


def test_where_the_place_has_several_lanes_it_is_of_none_of_them_alone() -> None:
    (run,) = load(dump("quince-12", ["U3 4 - 0x40"], BLANK))
    measured = measure(run, board("quince-12"))
    (group,) = [m for m in measured if m.tally is not None]
    assert (group.place.site, group.place.channel, group.place.lane) == ("U3", 4, None)
    assert not [n for n in gather(measured).nodes if n.kind == "line"]
    (row,) = [r for r in table.rows(measured) if r.cells]
    assert row.errors is None  # at least one bit, nobody knows how many


def test_one_lane_that_is_named_in_two_ways_has_one_tally() -> None:
    lines = ["U3 4 - 0 0x40 0x0 0x1 -", "- 4 0 0 0x80 0x0 0x1 -"]
    (run,) = load(dump("quince-12", lines))
    (tally,) = measure(run, board("quince-12")).tallies
    assert tally.rows == 2


def test_the_width_of_words_is_that_of_all_but_the_narrowest() -> None:
    """Eight fair coins show one or two heads in 36 of the 255 throws with any (exact): what reads
    by chance is wide; a mean of one and seven is not."""
    chance = [f"U3 4 - 0 {64 * n:#x} 0x0 {n:#04x} -" for n in range(1, 256)]
    (tally,) = tallies("quince-12", chance).values()
    assert tally.spans[1:3].sum() == 36 and tally.span > 2.2
    cells = [f"U3 4 - 0 {64 * n:#x} 0x0 {(0x04, 0xFB)[n % 2]:#04x} -" for n in range(100)]
    (tally,) = tallies("quince-12", cells).values()
    assert tally.wrong.sum() / tally.rows > 2.2 > tally.span
