"""What memory devices do: stray words, and the shapes of sick arrays."""

from __future__ import annotations

import random
from itertools import pairwise
from typing import Any

from scipy import stats

from memdiag.model import Run
from memdiag.reading.load import load
from tests.simulator import scenes
from tests.simulator.arrays import Addresses, Region, WeakArray, partner
from tests.simulator.boards import Wiring, address_map, quince
from tests.simulator.fault_draw import draw_fault
from tests.simulator.shapes import draw_array
from tests.simulator.test_simulator import COUNTING, FEW

SOUND: dict[str, Any] = {"faults": 0, **FEW, **COUNTING, "cap": 512}


def read(scene: scenes.Scene) -> Run:
    return load(scene.text, board=scene.board if scene.known else None)[0]


def words_by_site(run: Run) -> dict[str, int]:
    found: dict[str, int] = {}
    if run.errors is not None:
        for key in run.errors.key:
            site = str(run.errors.keys[key].place.site)
            found[site] = found.get(site, 0) + 1
    return found


# --- stray words ---------------------------------------------------------------------------------


def test_seven_in_a_hundred_sound_packages_have_one_to_three_stray_words() -> None:
    # 44 of 600 packages in about 1e9 bits (CMU-SAFARI, DIVA-DRAM, SIGMETRICS 2017): the share of
    # twice as many simulated ones must be one that the two samples could have in common
    packages = with_words = 0
    for seed in range(100):
        scene = scenes.draw(seed, family="gddr6", sites=12, **SOUND | {"bits": 3e8})
        words = words_by_site(read(scene))
        assert all(1 <= n <= 3 for n in words.values())
        packages += len(scene.board.sites)
        with_words += len(words)
    _, p = stats.fisher_exact([[with_words, packages - with_words], [44, 556]])
    assert packages == 1200 and p > 0.01


def test_fewer_bits_show_fewer_stray_words() -> None:
    found = {1e6: 0, 1e8: 0}
    for seed in range(40):
        for bits in found:
            scene = scenes.draw(seed, family="gddr6", sites=12, **SOUND | {"bits": bits})
            found[bits] += sum(words_by_site(read(scene)).values())
    assert found[1e6] <= 2 < found[1e8]


def test_counts_and_words_tell_the_same_of_a_stray() -> None:
    seen = 0
    for seed in range(90):
        run = read(scenes.draw(seed, family="gddr6", sites=8, **SOUND))
        log = run.errors
        if log is None:
            continue
        rose = sum(row.rose or 0 for row in run.counts)
        fell = sum(row.fell or 0 for row in run.counts)
        up = sum(
            int(w & ~o).bit_count() for o, w in zip(log.wrote[:, 0], log.wrong[:, 0], strict=1)
        )
        down = sum(
            int(w & o).bit_count() for o, w in zip(log.wrote[:, 0], log.wrong[:, 0], strict=1)
        )
        assert (up, down) == (rose, fell)
        seen += up + down
    assert seen > 20


# --- sick arrays ---------------------------------------------------------------------------------

WIRING = Wiring(quince("quince-12"))
ADDRESSES = Addresses(address_map(random.Random(3), 2, 16), 2, 16)


def sick(shape: str, seed: int) -> WeakArray:
    rng = random.Random(f"{shape}/{seed}")
    return draw_array(rng, ADDRESSES, Region(0, (0, 1), (0, 1, 2, 3), tuple(range(8)), 16), shape)


def test_wrong_rows_repeat_at_one_distance_so_that_addresses_pair_at_many_bits() -> None:
    # one in each sub-array, pairs at five to seven bits at once (CMU-SAFARI, DIVA-DRAM,
    # SIGMETRICS 2017), where an open address line pairs at one
    for seed in range(30):
        array = sick("rows", seed)
        rows = sorted({c.row for c in array.cells})
        assert (
            len({b - a for a, b in pairwise(rows)}) == 1 and len({c.bank for c in array.cells}) == 1
        )
        places = {(c.bank, c.row, c.col) for c in array.cells}
        pairing = [
            k
            for k in range(len(ADDRESSES.row))
            if all(partner(place, ("row", k)) in places for place in places)
        ]
        assert 5 <= len(pairing) <= 7


def test_a_failing_column_fails_in_every_bank() -> None:
    # CMU-SAFARI, DIVA-DRAM, SIGMETRICS 2017
    for seed in range(20):
        array = sick("columns", seed)
        assert {c.bank for c in array.cells} == set(range(ADDRESSES.banks))
        assert len({c.col for c in array.cells}) == 1
        assert len({c.bank for c in sick("column", seed).cells}) == 1


def test_scattered_cells_lie_all_over_the_package() -> None:
    for seed in range(10):
        array = sick("scattered", seed)
        assert {c.link for c in array.cells} == {0, 1, 2, 3}
        assert len({c.bank for c in array.cells}) > 0.9 * ADDRESSES.banks
        # no two of at most 500 cells in one row of 2^17: fewer than ten, by the birthday problem
        assert len({(c.bank, c.row) for c in array.cells}) > len(array.cells) - 10


def test_the_truth_of_an_array_is_where_its_cells_are() -> None:
    lanes = 0
    for seed in range(40):
        fault = draw_fault(random.Random(seed), WIRING, ADDRESSES, "array", set())
        assert fault.array is not None and fault.mode == fault.array.shape
        struck = {c.link for c in fault.array.cells}
        assert {WIRING.site_of[i] for i in struck} == {fault.site}
        if fault.link is not None:
            assert struck == {fault.link}
            lanes += 1
        assert (fault.channel is None) == (fault.mode == "scattered" and len(struck) > 2)
    assert lanes > 5


def test_packages_of_one_lot_are_weak_together_at_times() -> None:
    several = 0
    for seed in range(300):
        at = random.Random(seed), WIRING, ADDRESSES, ["array"]
        lot = scenes._faults(*at, lots=True)
        several += len(lot) > 1
        assert len({f.site for f in lot}) == len(lot) and len({f.mode for f in lot}) == 1
        assert len(scenes._faults(*at, lots=False)) == 1
    assert 10 < several < 60  # one in ten, to five standard deviations of a binomial


def test_a_sick_array_prints_its_shape() -> None:
    """Rows of the log of a rig that lists every word, against the cells that were struck."""
    seen = set()
    for seed in range(60):
        scene = scenes.draw(
            seed, family="gddr6", kind="array", **FEW, **COUNTING | {"complete": True, "bits": 4e9}
        )
        truth, log = scene.truth[0], read(scene).errors
        if log is None or truth.mode not in ("rows", "columns"):
            continue
        mine = [k for k, key in enumerate(log.key) if log.keys[key].place.site == truth.site]
        banks, rows = {int(log.bank[k]) for k in mine}, {int(log.row[k]) for k in mine}
        if len(mine) > 20:
            assert (len(banks) > 4) == (truth.mode == "columns")
            assert truth.mode == "columns" or len(rows) > 8
            seen.add(truth.mode)
    assert seen == {"rows", "columns"}
