"""One run on the bench: the board as it is, the rig it sits in, and what is alike for both."""

from __future__ import annotations

from typing import Any

from msgspec import Struct

from tests.simulator.arrays import Addresses
from tests.simulator.boards import Wiring
from tests.simulator.noise import Noise
from tests.simulator.physics import BURST
from tests.simulator.plant import Plant
from tests.simulator.rig import Rig

Scope = dict[str, Any]


class Stand(Struct):
    plant: Plant
    rig: Rig
    noise: Noise
    addresses: Addresses

    @property
    def wiring(self) -> Wiring:
        return self.plant.wiring

    @property
    def beats(self) -> int:
        return BURST.get(self.plant.family, 8)

    @property
    def passes(self) -> int:
        """How often each cell of the tested span is read in one run."""
        return max(1, round(self.rig.bits / 2.0**30))

    def owned(self, link: int) -> tuple[int, ...]:
        """The data lines of a lane that this link's package owns."""
        return self.wiring.links[link][1].dqs or tuple(range(8))

    def sites(self, links: list[int]) -> tuple[int, ...]:
        return tuple(sorted({self.wiring.site_of[i] for i in links}))

    def scope_of(self, link: int, detail: str, whole: bool = False) -> Scope:
        """The scope cells the rig prints for a link at that level of detail. `whole`: a channel
        means all of it, whoever's package it lies on, as the words of an error log do."""
        site, at = self.wiring.links[link]
        ref = self.wiring.board.sites[site].ref
        if detail == "site":
            return {"site": ref}
        apart = len({self.wiring.site_of[i] for i in self.wiring.of_channel[at.channel]}) > 1
        named = self.rig.names and not (whole and detail == "channel" and apart)
        scope: Scope = {"site": ref} if named else {}
        scope["ch"] = at.channel
        if self.rig.ranks:
            scope["rank"] = at.rank
        if detail in ("lane", "dq"):
            scope["lane"] = at.lane
        return scope

    def grouped(self, detail: str, whole: bool = False) -> list[tuple[Scope, list[int]]]:
        """Links under the scope the rig prints them with, in its order."""
        found: dict[tuple[Any, ...], tuple[Scope, list[int]]] = {}
        order = range(len(self.wiring.links))
        for i in reversed(order) if self.rig.downwards else order:
            scope = self.scope_of(i, detail, whole)
            found.setdefault(tuple(scope.values()), (scope, []))[1].append(i)
        return list(found.values())
