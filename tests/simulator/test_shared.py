"""What rails, controllers and neighbours do to several lanes at once."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from memdiag.model import Board
from tests.simulator import scenes
from tests.simulator.arrays import Addresses
from tests.simulator.boards import Wiring, quince, random_board
from tests.simulator.boot import boot
from tests.simulator.fault_draw import draw_fault
from tests.simulator.faults import Fault, auxiliary
from tests.simulator.noise import Noise
from tests.simulator.physics import eye_width
from tests.simulator.plant import Nature, Plant, healthy
from tests.simulator.rig import draw_rig
from tests.simulator.spill import Couplings, disturb
from tests.simulator.strike import strike
from tests.simulator.test_rigs import rig_of

BER = 1e-6


def drawn(seed: int, kind: str, name: str = "quince-12", **more: Any) -> tuple[Plant, Fault]:
    """A board struck by one fault of that kind, with some strengths set."""
    wiring = Wiring(quince(name))
    noise = Noise(seed)
    addresses = Addresses(wiring.board.address or (), 2, 16)
    fault = replace(draw_fault(noise.stream("fault"), wiring, addresses, kind, set()), **more)
    plant = healthy(wiring, noise, Nature.draw(noise.stream("nature")))
    strike(plant, fault)
    return plant, fault


def shares(plant: Plant, seed: int) -> np.ndarray[Any, Any]:
    """What is left of each lane's narrower eye, against the same board without the fault."""
    sound = healthy(plant.wiring, Noise(seed), plant.nature)
    now, before = (eye_width(*p.eyes(), BER).min(axis=(0, 2)) for p in (plant, sound))
    return np.maximum(now, 0.0) / before


# --- rails ---------------------------------------------------------------------------------------


def sagging(seed: int, **more: Any) -> tuple[Plant, Fault]:
    board = quince("quince-12")
    core = next(r.name for r in board.rails if r.name.endswith("_A"))
    fed = tuple(i for i, s in enumerate(board.sites) if core in s.rails)
    return drawn(seed, "rail-low", **{"rail": core, "sites": fed, "mode": "mild"} | more)


def test_a_sagging_regulator_narrows_all_lanes_on_it_by_one_factor_and_no_other() -> None:
    for seed in range(8):
        plant, fault = sagging(seed, depth=0.05, grade=0.0)
        left = shares(plant, seed)
        on = np.isin(plant.wiring.site_of, fault.sites)
        assert np.allclose(left[~on], 1.0) and (left[on] < 0.8).all()
        assert left[on].std() < 0.05 * left[on].mean()


def test_thin_copper_costs_the_far_end_more() -> None:
    for seed in range(8):
        plant, fault = sagging(seed, depth=0.04, grade=1.0)
        drop = 1.0 - plant.supply[list(fault.sites)]
        assert (np.diff(drop) > 0).all()
        # twice the near end's, to the few per cent that packages differ by
        assert drop[-1] / drop[0] == pytest.approx(2.0, rel=0.07)


def test_a_rig_judges_a_sag_by_its_own_limits() -> None:
    """The same sag: a strict rig fails every lane on the rail, an easy one passes them all."""
    plant, fault = sagging(4, depth=0.06, grade=0.0)
    on = [i for i, s in enumerate(plant.wiring.site_of) if s in fault.sites]
    said = {}
    for thin, shut in ((0.99, 0.95), (0.95, 0.05), (0.1, 0.05)):
        rig = replace(rig_of(4), thin=thin, shut=shut, depends=False)
        results = boot(plant, rig, Noise(4)).last.results["write"]
        said[thin, shut] = {results[i] for i in on}
    assert list(said.values()) == [{"fail"}, {"marginal"}, {"pass"}]


def test_rails_of_the_whole_board_and_graded_ones_are_drawn() -> None:
    rng = random.Random(1)
    boards = [random_board(rng) for _ in range(200)]
    whole = [
        b
        for b in boards
        if any(
            r.feeds == "packages"
            and not auxiliary(b, r.name)
            and len(b.sites_on_rail(r.name)) == len(b.sites)
            for r in b.rails
        )
    ]
    assert 60 < len(whole) < 190
    grades = [drawn(seed, "rail-low")[1].grade for seed in range(40)]
    assert 5 < sum(g > 0 for g in grades) < 35


# --- the controller ------------------------------------------------------------------------------


def test_lanes_of_a_controller_block_fail_in_different_degrees() -> None:
    for seed in range(8):
        more = {"mode": "thin", "depth": 0.5}
        plant, fault = drawn(seed, "phy-block", **more, scatter=1.0)
        unlike = shares(plant, seed)[list(fault.hits)]
        alike = shares(drawn(seed, "phy-block", **more, scatter=0.1)[0], seed)[list(fault.hits)]
        assert unlike.std() > 3 * alike.std()
        assert np.ptp(unlike) > 0.3
        assert len(fault.sites) > 1


def test_a_mixed_block_has_dead_lanes_beside_thin_ones() -> None:
    mixed = 0
    for seed in range(10):
        plant, fault = drawn(seed, "phy-block", mode="mixed", depth=0.4, scatter=0.3)
        rig = replace(rig_of(seed), thin=0.95, shut=0.05, depends=False)
        results = boot(plant, rig, Noise(seed)).last.results["read"]
        mixed += {"not-found", "marginal"} <= {results[i] for i in fault.hits}
        beside = {r for i, r in enumerate(results) if i not in fault.hits}
        assert "not-found" not in beside
    assert mixed >= 7


# --- margin and nothing else ---------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["pins", "phy-lane", "open-strobe"])
def test_margin_is_lost_in_all_degrees(kind: str) -> None:
    """From slight to closed, every fifth of an eye is met with."""
    fifths = set()
    for seed in range(300):
        plant, fault = drawn(seed, kind)
        if fault.mode in ("both", "thin", "ragged"):
            links = [fault.link] if kind == "open-strobe" else fault.hits
            links = list(links or plant.wiring.of_site[fault.site or 0])
            fifths.add(int(5 * min(0.99, shares(plant, seed)[links].mean())))
    assert fifths == {0, 1, 2, 3, 4}


def test_one_ragged_lane_of_several_is_no_soft_package() -> None:
    """A soft package is soft on all its lanes: training tells them apart."""
    seen = 0
    for seed in range(80):
        habits = {"sections": frozenset({"training"}), "detail": "lane", "warm_boot": False}
        more = {"family": "gddr6", "kind": "open-strobe", "dirt": False, "known": True}
        (truth,) = scenes.draw(seed, bare=False, **more, **habits).truth
        if truth.mode == "ragged" and truth.visible:
            assert not truth.rivals and truth.cause == "joint" and truth.lane is not None
            seen += 1
    assert seen > 3


def test_a_package_of_half_its_peers_eyes_may_pass_every_step() -> None:
    passed = 0
    for seed in range(40):
        plant, fault = drawn(seed, "pins", mode="both", depth=0.45)
        own = shares(plant, seed)[plant.wiring.of_site[fault.site or 0]]
        rig = replace(rig_of(seed), thin=0.3, shut=0.1)
        results = boot(plant, rig, Noise(seed)).last.results
        if 0.4 < own.mean() < 0.6 and {r for said in results.values() for r in said} == {"pass"}:
            passed += 1
    assert passed > 5
    easy = [draw_rig(Noise(s).stream("rig"), "ddr4", False, True) for s in range(300)]
    assert 0.1 < np.mean([rig.thin < 0.5 for rig in easy]) < 0.6
    assert all(rig.shut <= rig.thin for rig in easy)


def test_soft_pins_pull_their_clamshell_partner() -> None:
    """To four fifths of its eye and farther, by a coupling that boards do draw; nobody else."""
    rng = random.Random(2)
    wiring = Wiring(next(b for b in (random_board(rng, "gddr6") for _ in range(60)) if paired(b)))
    noise, addresses = Noise(1), Addresses(wiring.board.address or (), 2, 16)
    nature = Nature.draw(noise.stream("nature"))
    left = []
    for seed in range(40):
        fault = draw_fault(random.Random(seed), wiring, addresses, "pins", set())
        plant = healthy(wiring, noise, nature)
        disturb(plant, fault, Couplings(0.25, 0.0, 0.0, 0.0, 0.0))
        part = shares(plant, 1)
        partner = wiring.index(wiring.board.sites[fault.site or 0].clamshell or "")
        alone = np.array(wiring.site_of) != partner
        assert np.allclose(part[alone], 1.0)
        left.append(part[~alone].mean())
    assert min(left) < 0.8 < max(left)


def paired(board: Board) -> bool:
    return any(site.clamshell for site in board.sites)


def test_boards_of_every_make_are_drawn() -> None:
    # x4 packages, ranks, one channel, and JEDEC's 64 bit channels of up to forty-eight packages
    # (common practice, no source)
    rng = random.Random(5)
    boards = [random_board(rng) for _ in range(1500)]
    assert any(link.dqs and len(link.dqs) == 4 for b in boards for s in b.sites for link in s.links)
    assert any(len(b.channels) == 1 for b in boards)
    ranks = [len({link.rank for s in b.sites for link in s.links}) for b in boards]
    assert set(ranks) == {1, 2}
    sizes = {len(b.sites) for b in boards}
    assert min(sizes) <= 2 and max(sizes) == 48
