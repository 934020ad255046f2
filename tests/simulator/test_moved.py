"""A fault at another site, and the sites that a dump does not tell apart."""

from __future__ import annotations

import pytest

from tests.simulator import scenes
from tests.simulator.bench import simulate
from tests.simulator.moved import moved
from tests.simulator.scenes import Scene
from tests.simulator.trace import trace

KINDS = (
    *("missing", "pins", "array", "open-data", "open-strobe", "open-ca", "open-address", "bridge"),
    "short-package",
)


def drawn(seed: int, **more: object) -> Scene:
    plain = {"family": "gddr6", "bare": False, "dirt": False, "known": True}
    return scenes.draw(seed, **{**plain, **more})  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", KINDS)
def test_a_moved_fault_strikes_its_new_site_and_no_other(kind: str) -> None:
    for seed in range(6):
        scene = drawn(seed, kind=kind, sites=8)
        fault, bench = scene.drawn[0], scene.bench
        sound = simulate(bench, [])
        for site in range(8):
            there = moved(bench.wiring, fault, site)
            if there is None:
                assert fault.rail is not None
                continue
            assert there.sites == (site,) and there.kind == kind
            told = trace(simulate(bench, [there]), sound, bench.nature, bench.rig)
            own = {s for row in told for s in row.means if len(row.means) == 1}
            assert kind != "array" or own <= {site}  # an array disturbs nobody
            assert moved(bench.wiring, there, fault.site or 0) == fault


def test_a_dump_that_names_its_sites_tells_them_apart() -> None:
    habits = {"sections": frozenset({"training"}), "detail": "lane", "names": True}
    scene = drawn(1, kind="missing", sites=8, policy="go-on", prints_not_run=True, **habits)
    truth = scene.truth[0]
    assert scene.alike(truth) == {truth.site}


def test_a_dump_of_ohms_alone_tells_no_package_of_a_rail_from_another() -> None:
    """A package that shorts the rail of all pulls it down wherever it sits (Ohm's law)."""
    scene = next(
        s
        for s in (
            drawn(k, kind="short-package", sites=8, sections=frozenset(), rails=True, heat=False)
            for k in range(20)
        )
        if s.truth[0].visible
    )
    truth = scene.truth[0]
    on = {s.ref for s in scene.board.sites if truth.rail in s.rails}
    assert scene.alike(truth) == on and len(on) > 1


def test_a_fault_of_no_site_has_none_like_it() -> None:
    scene = drawn(3, kind="rail-low")
    assert scene.alike(scene.truth[0]) == frozenset()
