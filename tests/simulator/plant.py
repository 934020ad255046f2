"""The physical board on the bench: what every line, package, bus and rail is like right now.

A healthy plant is drawn from the scene's noise; faults then strike it, spillover disturbs it.
Eyes are in unit intervals at the run's full rate, shape (2, links, 8): reads, then writes.
"""

from __future__ import annotations

import random
from itertools import islice

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field

from tests.simulator.arrays import Addresses, WeakArray
from tests.simulator.boards import Wiring
from tests.simulator.noise import Floats, Noise
from tests.simulator.physics import UNDRIVEN

Flags = npt.NDArray[np.bool_]

READ, WRITE = 0, 1

NOISY = 2
"""A level that is neither: an undriven line without termination picks up anything."""


class Nature(Struct, frozen=True):
    """What a board is like before any fault: drawn once, shared by the scene's twins."""

    dj: float
    rj: float
    site_spread: float
    lane_spread: float
    dq_spread: float
    slope: float
    """Deterministic jitter added from the nearest lane to the farthest (fly-by, trace length)."""
    flyby: float
    """UI by which a lane comes later than its neighbour where clock and commands fly by the
    packages one after the other (DDR); negative where the bus starts at the last lane."""
    terminated: bool
    swing: float
    """Eye height in mV of a nominal eye."""
    edge_heat: float
    """Kelvin that the outermost site is hotter than the coolest."""

    @classmethod
    def draw(cls, rng: random.Random) -> Nature:
        return cls(
            dj=rng.uniform(0.18, 0.36),
            rj=rng.uniform(0.009, 0.015),
            site_spread=rng.uniform(0.002, 0.010),
            lane_spread=rng.uniform(0.004, 0.018),
            dq_spread=rng.uniform(0.003, 0.010),
            slope=rng.choice((0.0, 0.0, 0.02, 0.04)),
            flyby=rng.choice((0.05, 0.1, 0.1, 0.2)) * rng.choice((1, 1, -1)),
            terminated=rng.random() < 0.9,
            swing=rng.uniform(120, 260),
            edge_heat=rng.choice((0.0, 3.0, 8.0)),
        )


class Stride(Struct):
    """A controller fault in the data path: one bit position, wrong at a constant stride."""

    hits: tuple[int, ...]
    dq: int
    first: int
    step: int
    level: int
    checked: bool
    """True where the link check sees it: the fault lies between pins and checker."""

    def count(self, addresses: Addresses) -> int:
        """How many addresses read wrong: a third had the level written that it reads anyway."""
        n = len(self._every(addresses))
        return n - n // 3

    def places(self, addresses: Addresses, most: int) -> list[int]:
        """The first of them."""
        kept = (at for k, at in enumerate(self._every(addresses)) if k % 3 != 2)
        return list(islice(kept, most))

    def _every(self, addresses: Addresses) -> range:
        step = max(self.step, 1 << (addresses.low + 1))
        first = self.first % step
        first -= first % (1 << addresses.low)
        return range(first, 1 << addresses.bits, step)


class Plant(Struct):
    """Everything that can be struck. Built healthy by `healthy`."""

    wiring: Wiring
    family: str
    nature: Nature
    dj: Floats
    rj: Floats
    supply: Floats  # (sites,) share of nominal volts
    alive: Flags
    present: Flags
    stuck: Floats  # (links, 8) 0 driven, 1 open
    float_to: Floats  # (links, 8) level an open line reads: 0, 1 or NOISY
    bias: Floats  # (links, 8) share of wrong bits that go 0 -> 1
    strobe: dict[int, str] = field(default_factory=dict)  # link -> "silent" or "garbage"
    edc_open: set[int] = field(default_factory=set)
    ca: dict[tuple[int, object], str] = field(default_factory=dict)  # -> "dead" or "partial"
    alias: dict[tuple[int, object, int], tuple[str, int]] = field(default_factory=dict)  # -> line
    bridges: list[tuple[int, int, int, int, str]] = field(default_factory=list)
    arrays: list[WeakArray] = field(default_factory=list)
    phy: dict[object, str] = field(default_factory=dict)  # channel -> "dead" or "deaf"
    phy_lanes: set[int] = field(default_factory=set)
    strides: list[Stride] = field(default_factory=list)
    bursts: Floats = field(default_factory=lambda: np.zeros(0))  # (sites,) expected disturbances
    shunt: dict[str, list[tuple[float, int | None]]] = field(default_factory=dict)
    """Rail -> what lies in parallel to it: ohms, and the site whose package it is, if one's."""
    series: dict[str, float] = field(default_factory=dict)  # rail -> factor on the ohms read
    hot: dict[str, str] = field(default_factory=dict)  # rail -> part that warms when injected
    volts: dict[str, float] = field(default_factory=dict)  # rail -> share of nominal at the source

    @property
    def level(self) -> int:
        """What an undriven line of this board reads."""
        term = UNDRIVEN.get(self.family)
        return NOISY if term is None or not self.nature.terminated else term

    def answers(self, link: int) -> bool:
        """Whether anything at all is to be heard from this link's package on its channel."""
        site, at = self.wiring.links[link]
        return bool(
            self.present[site]
            and self.alive[site]
            and self.supply[site] > 0.78
            and self.ca.get((site, at.channel)) != "dead"
            and self.phy.get(at.channel) != "dead"
        )

    def eyes(self, rate: float = 1.0, warmer: float = 0.0) -> tuple[Floats, Floats]:
        """`(dj, rj)` in UI at a share of the full rate and so many kelvin above ambient.

        Jitter is a time, so in unit intervals it shrinks with the rate; a low supply slows the
        edges and so adds to both kinds.
        """
        low = (1.0 - self.supply)[self.wiring.site_of][None, :, None]
        dj = (self.dj + 3.0 * low) * rate
        rj = self.rj * (1.0 + 6.0 * low) * rate * (1.0 + 0.002 * warmer)
        return dj, rj


def healthy(wiring: Wiring, noise: Noise, nature: Nature) -> Plant:
    links, sites = len(wiring.links), len(wiring.board.sites)
    site_z = noise.normal("site", 2, sites)[:, wiring.site_of]
    lane_z = noise.normal("lane", 2, links)
    dq_z = noise.normal("dq", 2, links, 8)
    lanes = np.array([link.lane for _, link in wiring.links], float)
    slope = nature.slope * lanes / max(lanes.max(), 1.0)
    dj = (
        nature.dj
        + (nature.site_spread * site_z + nature.lane_spread * lane_z + slope)[:, :, None]
        + nature.dq_spread * dq_z
    )
    rj = nature.rj * np.exp(0.05 * noise.normal("rj", 2, links, 8))
    plant = Plant(
        wiring,
        wiring.board.memory or "other",
        nature,
        np.maximum(dj, 0.02),
        rj,
        np.ones(sites),
        np.ones(sites, bool),
        np.ones(sites, bool),
        np.zeros((links, 8)),
        np.zeros((links, 8)),
        np.full((links, 8), 0.5),
        bursts=np.zeros(sites),
    )
    if plant.level == NOISY:
        # an unterminated input keeps whatever leakage leaves on it, or follows its neighbours
        plant.float_to = np.floor(noise.uniform("float", links, 8) * 3)
    else:
        plant.float_to = np.full((links, 8), float(plant.level))
    return plant
