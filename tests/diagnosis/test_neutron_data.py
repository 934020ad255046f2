"""Errors of real memory under a neutron beam, which nobody here made.

DDR2 and DDR3 modules, every word written as 0xA5A5A5A5 and read back every five minutes: the
public repository byuccl/ddr_rowhammer (BYU Configurable Computing Laboratory, 2025), transcribed by
hand. The environment variable MEMDIAG_OPEN_DATA names the folder that holds `ddr23_neutron/`;
without it these checks are skipped.

That 78 of the "soft" entries are one disturbed line and no cells is our reading, not the authors'.
"""

from __future__ import annotations

import csv
import os
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.evidence import addresses, error_signs, lane_tallies
from memdiag.evidence.nodes import LINK
from memdiag.model import Board, Cause, Run
from memdiag.reading.load import load

_SAID = os.environ.get("MEMDIAG_OPEN_DATA", "")
DATA = Path(_SAID) / "ddr23_neutron"
pytestmark = pytest.mark.skipif(
    not (_SAID and DATA.is_dir()), reason="MEMDIAG_OPEN_DATA names no folder with ddr23_neutron/"
)

Entry = dict[str, str]
WROTE = 0xA5A5A5A5A5A5A5A5
LINE = (2, 0)  # word 0 bit 16: lane 2, dq 0


def entries(category: str) -> list[Entry]:
    with (DATA / "ddr2_idle_errors.csv").open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["category"] == f"idle {category}"]


def read_word(entry: Entry) -> int:
    """Word 0 in the lower four lanes, word 1 in the upper four."""
    return int(entry["read_word1"], 16) << 32 | int(entry["read_word0"], 16)


def dump(found: Sequence[Entry], times: Sequence[int] | None = None) -> str:
    """The entries as a dump, each so many passes long; addresses in bytes (the files count in units
    of eight)."""
    out = ["bench-dump 1", "[run]", "id  neutron", "memory  other"]
    out += ["[errors]", "ch address wrote read pass"]
    rows = [
        f"0 {8 * int(e['address_hex'], 16):#x} {WROTE:#018x} {read_word(e):#018x} {at}"
        for e, n in zip(found, times or [1] * len(found), strict=True)
        for at in range(n)
    ]
    return "\n".join([*out, *rows, f"[end] {len(rows)}", ""])


def read(text: str) -> tuple[Run, Board]:
    (run,) = load(text)
    board, _ = profiles.for_run(run, None)
    return run, board


def test_every_entry_is_read_and_every_flipped_bit_counted() -> None:
    """172 and 128 lines stand in the files (the authors state 171 and 127)."""
    for category, many in (("stuck", 172), ("soft", 128)):
        found = entries(category)
        run, board = read(dump(found))
        assert run.errors is not None
        assert len(run.errors) == len(found) == many
        tallies = lane_tallies.tallies(run.errors, board)
        assert sorted(t.place.lane for t in tallies if t.place.lane is not None) == list(range(8))
        flips = Counter(
            (32 * int(word) + int(bit))
            for e in found
            for word, bit in (pair.split(":") for pair in e["flipped_bits_word0_word1"].split())
        )
        for t in tallies:
            assert t.place.lane is not None
            assert t.wrong.tolist() == [flips[8 * t.place.lane + dq] for dq in range(8)]
        up = sum(e["direction"].split().count("0->1") for e in found)
        down = sum(e["direction"].split().count("1->0") for e in found)
        assert sum(t.rose.sum() for t in tallies) == up
        assert sum(t.fell.sum() for t in tallies) == down


def test_the_stuck_ones_are_cells_wrong_both_ways() -> None:
    """As many up as down: charged and discharged cells leak alike. And no line has the lot."""
    run, board = read(dump(entries("stuck")))
    tallies = lane_tallies.tallies(run.errors, board)
    up = int(sum(t.rose.sum() for t in tallies))
    down = int(sum(t.fell.sum() for t in tallies))
    assert binomtest(up, up + down).pvalue > 0.5
    assert max(float(t.wrong.max()) for t in tallies) < 0.06 * (up + down)
    # A line that nothing drives reads one way where its termination pulls (JESD79-4, JESD209-4).
    for memory in ("ddr4", "lpddr4"):
        both_ways = error_signs.direction_loglik(up, down, memory)
        assert both_ways is not None
        assert both_ways[LINK.index("array")] > both_ways[LINK.index("absent")]


def test_most_soft_ones_are_one_line_always_the_same_way() -> None:
    run, board = read(dump(entries("soft")))
    tally = next(t for t in lane_tallies.tallies(run.errors, board) if t.place.lane == LINE[0])
    assert (tally.wrong[0], tally.rose[0], tally.fell[0]) == (78, 0, 78)
    assert binomtest(0, 78).pvalue < 1e-20
    rest = lane_tallies.tallies(run.errors, board)
    others = sum(float(t.wrong.sum()) for t in rest) - 78
    assert others < 60  # all 63 other lines together


def test_that_line_fails_at_an_almost_constant_stride() -> None:
    """A controller or line disturbed in time, while addresses count up: cells lie anywhere."""
    on_line = [e for e in entries("soft") if e["flipped_bits_word0_word1"] == "0:16"]
    run, board = read(dump(on_line))
    assert run.errors is not None
    shape = addresses.shape_of(run.errors, np.arange(len(on_line)), board, 1)
    assert shape is not None
    assert shape.kind == "striped"
    others = [e for e in entries("soft") if e not in on_line]
    for cells in (others, entries("stuck")):
        run, board = read(dump(cells))
        assert run.errors is not None
        shape = addresses.shape_of(run.errors, np.arange(len(cells)), board, 64)
        assert shape is not None
        assert shape.kind == "spread"


def test_the_line_by_itself_is_no_weak_package() -> None:
    """One line at many addresses, the rest of its lane and board fine: whatever it is called,
    cells are the less likely story."""
    on_line = [e for e in entries("soft") if e["flipped_bits_word0_word1"] == "0:16"]
    run, board = read(dump(on_line))
    (top, *_) = judge(run, board).findings
    chances = {top.cause.value: top.probability} | {c.value: p for c, p in top.alternatives}
    link = chances.get("controller", 0) + chances.get("joint", 0)
    assert link > chances.get("weak", 0)


def test_the_soft_ones_are_read_as_a_line_or_the_controller_and_the_stuck_ones_as_cells() -> None:
    """All entries of a category together: 50 other words stand beside the 78 of the line, and are
    a finding of their own."""
    found = judge(*read(dump(entries("soft")))).findings
    (line,) = (f for f in found if (f.place.lane, f.place.dq) == LINE)
    assert line.cause in (Cause.CONTROLLER, Cause.JOINT)
    assert line.place_probability > 0.9
    (cells, *_) = judge(*read(dump(entries("stuck")))).findings
    assert cells.cause is Cause.WEAK


def test_repeats_of_one_cell_are_one_cell() -> None:
    """Stated: one address gave 13,069 of the error groups. The list is a tenth of that here."""
    with (DATA / "ddr2_repeat_counts.csv").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    often = [max(1, int(e["error_groups_stated_by_authors"]) // 10) for e in found]
    assert max(often) == 1306
    run, board = read(dump(found, often))
    assert run.errors is not None
    assert run.errors.total == sum(often)
    kept = run.errors.address[run.errors.has_address]
    assert len(np.unique(kept)) == len({e["address_hex"] for e in found})
    worst = max(range(len(found)), key=lambda i: often[i])
    run, board = read(dump([found[worst]], [often[worst]]))
    assert run.errors is not None
    shape = addresses.shape_of(run.errors, np.arange(len(run.errors)), board, 1)
    assert shape is not None
    assert (shape.name, shape.kind, shape.distinct) == ("cell", "clustered", 1)


def test_the_other_module_too() -> None:
    """DDR3: four words a read, 128 bits, each with one or a few bits flipped."""
    with (DATA / "ddr3_errors.csv").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    out = ["bench-dump 1", "[run]", "memory  ddr3", "[errors]", "ch address wrote read"]
    seen: dict[str, int] = {}  # a row printed twice is one reading
    for e in found:
        got = sum(int(e[f"w{i}"], 16) << (32 * i) for i in range(4))
        wrote = WROTE << 64 | WROTE
        out.append(f"0 {16 * int(e['address_hex'], 16):#x} {wrote:#034x} {got:#034x}")
        seen[out[-1]] = (got ^ wrote).bit_count()
    run, board = read("\n".join([*out, f"[end] {len(found)}", ""]))
    assert run.errors is not None
    assert len(run.errors) == len(seen)
    wrong = sum(float(t.wrong.sum()) for t in lane_tallies.tallies(run.errors, board))
    assert wrong == sum(seen.values())
