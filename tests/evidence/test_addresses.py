"""Shapes of error addresses, held to what real arrays do and to what open lines must do.

CMU-SAFARI, DIVA-DRAM (SIGMETRICS 2017), 103 DDR3 modules: wrong rows repeat at a fixed distance,
one in each sub-array; a failing column fails in every bank. An open address line makes a place and
the one that differs in that line alone answer for each other: derived.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterable, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.evidence import address_patterns as patterns
from memdiag.evidence import addresses
from memdiag.evidence.addresses import Shape
from memdiag.evidence.nodes import SHAPE
from memdiag.model import Board, ErrorRow, Place
from memdiag.model.problems import Position
from memdiag.reading.error_log_builder import from_rows
from tests.support.marks import examples

Cell = tuple[int, int, int]
"""Bank, row, column."""

ROWS, BANKS, COLUMNS = 1 << 14, 8, 128


def bare_board() -> Board:
    return Board("none")


def shape(
    cells: Iterable[Cell] = (), bare: Iterable[int] = (), board: Board | None = None
) -> Shape:
    places: list[tuple[Cell | None, int | None]] = [(cell, None) for cell in cells]
    places += [(None, address) for address in bare]
    rows = [
        ErrorRow(
            position=Position(n + 1),
            place=Place("U1"),
            address=address,
            wrong=1,
            **({} if cell is None else dict(zip(("bank", "row", "col"), cell, strict=True))),
        )
        for n, (cell, address) in enumerate(places)
    ]
    log = from_rows(rows)
    assert log is not None
    found = addresses.shape_of(log, np.arange(len(log)), board or bare_board(), 8)
    assert found is not None
    return found


def scattered(n: int, seed: int) -> list[Cell]:
    rng = random.Random(seed)
    return [(rng.randrange(BANKS), rng.randrange(ROWS), rng.randrange(COLUMNS)) for _ in range(n)]


def address(cell: Cell) -> int:
    """Eight bytes a beat, bursts of eight: column, row, bank from the lowest bit up."""
    bank, row, col = cell
    return (bank << 21 | row << 7 | col) << 6


def sub_arrays(distance: int, first: int, banks: int = BANKS) -> list[Cell]:
    """One wrong row in each sub-array, some words of it."""
    rng = random.Random(first)
    return [
        (bank, row, col)
        for bank in range(banks)
        for row in range(first % distance, ROWS, distance)
        for col in rng.sample(range(COLUMNS), 2)
    ]


def open_line(bit: int, n: int, seed: int) -> list[Cell]:
    return [c for b, r, k in scattered(n, seed) for c in ((b, r, k), (b, r ^ 1 << bit, k))]


# --- what real arrays do -------------------------------------------------------------------------


@given(st.sampled_from([256, 512, 640, 832, 1024]), st.integers(0, 10**6))
@settings(max_examples=examples(40), deadline=None)
def test_rows_that_repeat_at_a_distance_are_the_array(distance: int, first: int) -> None:
    """Sub-arrays have 512 to 1024 rows, powers of two or not (DIVA-DRAM; Chang and others 2014)."""
    cells = sub_arrays(distance, first)
    assert shape(cells).kind == "clustered"


@given(st.integers(0, COLUMNS - 1), st.integers(12, 200), st.integers(0, 10**6))
@settings(max_examples=examples(40), deadline=None)
def test_a_column_that_fails_in_every_bank_is_the_array(col: int, n: int, seed: int) -> None:
    cells = [(bank, row, col) for bank, row, _ in scattered(n, seed)]
    found = shape(cells)
    assert (found.name, found.kind) == ("column", "clustered")
    assert shape(bare=map(address, cells)).kind == "clustered"


@given(st.integers(40, 300), st.integers(2, 6), st.integers(0, 10**6))
@settings(max_examples=examples(40), deadline=None)
def test_a_few_columns_over_all_banks_are_the_array(n: int, many: int, seed: int) -> None:
    columns = random.Random(seed).sample(range(COLUMNS), many)
    cells = [(bank, row, columns[col % many]) for bank, row, col in scattered(n, seed)]
    assert shape(cells).kind == "clustered"


@given(st.integers(6, 400), st.integers(0, 10**6), st.booleans())
@settings(max_examples=examples(60), deadline=None)
def test_scattered_cells_are_neither_an_open_line_nor_a_stride(
    n: int, seed: int, bare: bool
) -> None:
    """Weak cells lie anywhere, and are hit again and again."""
    cells = scattered(n, seed) * 2
    found = shape(bare=map(address, cells)) if bare else shape(cells)
    assert found.kind == "spread"


# --- what lines do -------------------------------------------------------------------------------


@given(st.integers(0, 13), st.integers(20, 200), st.integers(0, 10**6))
@settings(max_examples=examples(60), deadline=None)
def test_an_open_address_line_pairs_addresses_at_one_bit(bit: int, n: int, seed: int) -> None:
    cells = open_line(bit, n, seed)
    assert shape(cells).kind == "paired"
    assert shape(bare=map(address, cells)).kind == "paired"


@given(st.integers(100, 10**6), st.integers(12, 200), st.integers(0, 10**6))
@settings(max_examples=examples(60), deadline=None)
def test_a_line_disturbed_in_time_keeps_a_stride(odd: int, n: int, seed: int) -> None:
    """The disturbance knows nothing of powers of two: its steps are nearly alike, never round."""
    rng, step = random.Random(seed), 64 * (2 * odd + 1) * 7
    found = shape(bare=[k * step + 64 * rng.randrange(step // 64 // 1024 + 1) for k in range(n)])
    assert found.kind == "striped"


@given(st.integers(0, 5), st.integers(20, 200), st.integers(0, 2**30))
@settings(deadline=None)
def test_a_round_step_that_keeps_the_column_may_be_either(shift: int, n: int, first: int) -> None:
    """Column after column at one distance: a row of each sub-array, or a counter's upper bit."""
    step = addresses.ROW_PITCH << shift
    found = shape(bare=[first + k * step for k in range(n)])
    like = addresses.shape_loglik(found)
    assert like["striped"] == like["clustered"] > max(like["paired"], like["spread"])


def test_a_sweep_over_a_dead_lane_says_nothing_of_lines() -> None:
    """Every burst of a block is wrong: it pairs up at every bit by being full."""
    assert shape(bare=range(0, 64 * 500, 64)).kind == "spread"
    assert patterns.pairing(np.arange(500) * 64, 7) == 0


# --- what must not matter ------------------------------------------------------------------------

PAIRED_OR_STRAY = st.one_of(
    st.builds(scattered, st.integers(1, 60), st.integers(0, 99)),
    st.builds(sub_arrays, st.sampled_from([256, 512]), st.integers(0, 99)),
    st.builds(open_line, st.integers(0, 13), st.integers(8, 40), st.integers(0, 99)),
)
CELLS = st.one_of(PAIRED_OR_STRAY, st.builds(sub_arrays, st.just(640), st.integers(0, 99)))


@given(CELLS, st.randoms(use_true_random=False), st.booleans())
@settings(deadline=None)
def test_the_order_of_rows_does_not_matter(
    cells: list[Cell], rng: random.Random, bare: bool
) -> None:
    mixed = rng.sample(cells, len(cells))
    if bare:
        assert shape(bare=map(address, mixed)) == shape(bare=map(address, cells))
    else:
        assert shape(mixed) == shape(cells)


@given(CELLS, st.integers(2, 4))
@settings(deadline=None)
def test_repeats_count_once(cells: list[Cell], times: int) -> None:
    """But for one address alone: that it is hit again is what is told of it."""
    one, many = shape(cells), shape(cells * times)
    assert (one.kind, one.distinct) == (many.kind, many.distinct)
    if one.distinct > 1:
        assert one == many


@given(
    PAIRED_OR_STRAY,
    st.integers(0, BANKS - 1),
    st.integers(0, ROWS - 1),
    st.integers(0, COLUMNS - 1),
)
@settings(deadline=None)
def test_which_level_a_line_has_does_not_matter(
    cells: list[Cell], bank: int, row: int, col: int
) -> None:
    """Address bits turned round, the same ones everywhere: what pairs or gathers still does. (What
    keeps a distance that is no power of two does not.)"""
    turned = [(b ^ bank, r ^ row, c ^ col) for b, r, c in cells]
    one, other = shape(cells), shape(turned)
    assert (one.name, one.kind, one.weight) == (other.name, other.kind, other.weight)


@given(st.lists(st.integers(0, 2**20), min_size=1, max_size=80, unique=True))
@settings(deadline=None)
def test_partners_are_what_a_plain_count_finds(values: list[int]) -> None:
    unique = np.unique(np.array(values, np.uint64))
    found = patterns.partners(unique)
    have = set(values)
    for bit in range(21):
        plain = sum(v ^ 1 << bit in have for v in have) / len(have)
        assert (found[bit] if bit < len(found) else 0.0) == pytest.approx(plain)


# --- how much it says ----------------------------------------------------------------------------


def test_more_addresses_in_a_cluster_say_more() -> None:
    """Each in the same column of all banks: eight, eighty, eight hundred."""
    odds = []
    for n in (8, 80, 800):
        like = addresses.shape_loglik(shape([(b, r, 5) for b, r, _ in scattered(n, 1)]))
        assert set(like) == set(SHAPE)
        odds.append(like["clustered"] - like["spread"])
    assert 0 < odds[0] < odds[1] < odds[2]


def test_the_address_map_says_the_same_as_print() -> None:
    """quince-12 folds bank bits with row bits; a column over all banks is one all the same."""
    board = profiles.find("quince-12")
    assert board is not None
    rng = random.Random(3)
    bare = [rng.randrange(1 << 18) << 11 | 9 << 5 for _ in range(60)]
    found = shape(bare=bare, board=board)
    assert (found.name, found.kind) == ("column", "clustered")


@pytest.mark.parametrize("form", ["scattered", "column"])
def test_millions_of_addresses_take_no_longer_than_sorting_them(form: str) -> None:
    """A few sorts at most, whatever the shape."""
    rng = np.random.default_rng(1)
    n = 1_000_000
    found = rng.integers(0, 2**34, n).astype(np.uint64) << np.uint64(6)
    if form == "column":
        found = rng.integers(0, 2**20, n).astype(np.uint64) << np.uint64(17)
    start = time.process_time()
    np.sort(found)
    sorting = time.process_time() - start
    start = time.process_time()
    unique = patterns.distinct(found)
    patterns.steps(unique)
    patterns.pairing(unique, 7)
    patterns.fixed_bits(unique, 6)
    assert time.process_time() - start < 30 * sorting


def _quietest(shapes: Sequence[Shape]) -> list[float]:
    return [addresses.shape_loglik(s)["quiet"] for s in shapes]


def test_a_quiet_place_has_few_addresses() -> None:
    quiet = _quietest([shape(scattered(n, 2)) for n in (3, 30, 300)])
    assert quiet == sorted(quiet, reverse=True)


@given(st.integers(10, 13), st.integers(40, 200), st.integers(0, 10**6))
@settings(max_examples=examples(60), deadline=None)
def test_a_stride_that_shows_with_some_of_the_data_is_a_stride(
    shift: int, n: int, seed: int
) -> None:
    """A line stuck at one level errs only where the other was written: half of random words."""
    rng = random.Random(seed)
    kept = [k for k in range(2 * n) if rng.random() < 0.6]
    assert shape(bare=[0x340 + (k << shift) for k in kept]).kind == "striped"


@given(st.integers(0, 4), st.integers(40, 200), st.integers(0, 10**6))
@settings(max_examples=examples(60), deadline=None)
def test_a_column_bad_in_some_of_its_rows_is_no_stride(shift: int, n: int, seed: int) -> None:
    """At steps of whole rows the column stays: that is the array (DIVA-DRAM, as above)."""
    rng, step = random.Random(seed), addresses.ROW_PITCH << shift
    kept = [k for k in range(2 * n) if rng.random() < 0.6]
    assert shape(bare=[0x340 + k * step for k in kept]).kind != "striped"


@given(st.integers(40, 400), st.integers(0, 10**6))
@settings(max_examples=examples(60), deadline=None)
def test_addresses_all_over_keep_no_step(n: int, seed: int) -> None:
    rng = random.Random(seed)
    places = np.array(sorted({rng.randrange(1 << 24) << 6 for _ in range(n)}), np.uint64)
    assert patterns.every_few(places) < addresses.LEAST_STRIDE
