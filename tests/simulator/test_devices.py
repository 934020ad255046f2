"""What memory devices do: stray words, and the shapes of sick arrays."""

from __future__ import annotations

from typing import Any

from scipy import stats

from memdiag.model import Run
from memdiag.reading.load import load
from tests.simulator import scenes
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
    # as many simulated ones must be one that the two samples could have in common
    packages = with_words = 0
    for seed in range(50):
        scene = scenes.draw(seed, family="gddr6", sites=12, **SOUND | {"bits": 3e8})
        words = words_by_site(read(scene))
        assert all(1 <= n <= 3 for n in words.values())
        packages += len(scene.board.sites)
        with_words += len(words)
    _, p = stats.fisher_exact([[with_words, packages - with_words], [44, 556]])
    assert packages == 600 and p > 0.01


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
