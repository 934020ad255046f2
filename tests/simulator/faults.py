"""Ground-truth faults: how often each comes, how strong, and what a right verdict calls it.

These are faults of things (a die, a ball, a capacitor). They know nothing of how a dump is judged.
How one is drawn stands in `fault_draw.py`, what each does to the board in `strike.py`.
"""

from __future__ import annotations

from msgspec import Struct
from msgspec.structs import replace

from memdiag.model import Board
from tests.simulator.arrays import WeakArray
from tests.simulator.boards import SUPPLIES, Wiring
from tests.simulator.physics import LINK_CHECKED

MIX: dict[str, float] = {
    "missing": 20,
    "array": 15,
    "pins": 14,
    "open-data": 9,
    "open-strobe": 5,
    "open-edc": 1.5,
    "open-ca": 4,
    "open-address": 3.5,
    "bridge": 5,
    "rail-low": 6,
    "short-cap": 4,
    "short-package": 4,
    "phy-block": 4,
    "phy-channel": 2,
    "phy-lane": 1.5,
    "stride": 1.5,
}
"""How often each kind comes to the simulated bench, in arbitrary units. Common practice, no
source: silent packages, worn arrays and bad joints first, the controller last."""

SPILL: dict[str, float] = {
    "missing": 1.0,
    "removed": 1.0,
    "short-package": 1.0,
    "rail-low": 0.3,
    "short-cap": 0.3,
    "phy-block": 0.4,
    "phy-channel": 0.4,
    "phy-lane": 0.2,
    "pins": 0.3,
    "open-ca": 0.6,
    "open-strobe": 0.4,
    "open-data": 0.2,
    "bridge": 0.3,
    "open-edc": 0.1,
    "array": 0.0,
    "open-address": 0.0,
    "stride": 0.0,
}
"""How much each kind can disturb its neighbours, relative to an absent package."""

PACKAGE_BAD = frozenset({"missing", "array", "pins", "short-package"})

CAUSES: dict[str, tuple[str, ...]] = {
    "missing": ("missing",),
    "removed": ("missing",),
    "array": ("weak",),
    "pins": ("weak",),
    "open-data": ("joint",),
    "open-strobe": ("joint",),
    "open-edc": ("joint",),
    "open-ca": ("joint",),
    "open-address": ("joint",),
    "bridge": ("bridge",),
    "rail-low": ("supply",),
    "short-cap": ("supply",),
    "short-package": ("missing", "weak"),
    "phy-block": ("controller",),
    "phy-channel": ("controller",),
    "phy-lane": ("controller",),
    "stride": ("controller",),
}
"""The contract's word(s) for each kind, the usual one first."""

ACTIONS: dict[str, tuple[str, ...]] = {
    "missing": ("replace",),
    "removed": ("fit",),
    "array": ("replace",),
    "pins": ("replace",),
    "open-data": ("reflow",),
    "open-strobe": ("reflow",),
    "open-edc": ("reflow",),
    "open-ca": ("reflow",),
    "open-address": ("reflow",),
    "bridge": ("reflow",),
    "rail-low": ("check-supply",),
    "short-cap": ("check-supply",),
    "short-package": ("replace", "check-supply"),
    "phy-block": ("stop",),
    "phy-channel": ("stop",),
    "phy-lane": ("stop",),
    "stride": ("stop",),
}


class Fault(Struct, frozen=True):
    """One fault with its strengths drawn. Fields that do not apply are None."""

    kind: str
    site: int | None = None
    channel: object = None
    rank: int | None = None
    link: int | None = None
    dq: int | None = None
    other: tuple[int, int] | None = None  # the bridged (link, dq)
    rail: str | None = None
    partition: str | None = None
    bit: int | None = None
    line: tuple[str, int] | None = None  # the open address line
    mode: str = ""
    depth: float = 0.0
    grade: float = 0.0  # how much worse the far end of a rail's copper is, as a share
    scatter: float = 0.0  # how unlike the lanes of a controller's part are, as a share
    array: WeakArray | None = None
    hits: tuple[int, ...] = ()  # links a controller fault takes
    sites: tuple[int, ...] = ()  # sites it strikes directly
    spread: tuple[float, ...] = ()  # uniforms for gradation

    def spill(self) -> float:
        return SPILL[self.kind]


def possible(wiring: Wiring) -> list[str]:
    """The kinds this board can have."""
    board = wiring.board
    kinds = [k for k in MIX if k not in ("open-edc", "phy-block", "phy-lane")]
    if board.memory in LINK_CHECKED and (board.memory or "").startswith("gddr"):
        kinds.append("open-edc")
    if any(len(group) > 1 for group in board.partitions.values()):
        kinds += ["phy-block", "phy-lane"]
    if not any(r.feeds == "packages" for r in board.rails):
        kinds = [k for k in kinds if k not in ("rail-low", "short-cap", "short-package")]
    return kinds


def auxiliary(board: Board, rail: str) -> bool:
    """A supply that drives no line: the 1.8 or 2.5 V beside the core's."""
    found = board.rail(rail)
    return found is not None and found.volts == SUPPLIES.get(board.memory or "", (0, 0))[1]


def look_alikes(wiring: Wiring, fault: Fault) -> list[list[Fault]]:
    """What has another cause at the same place and might print the same: lists of faults to put
    in this one's stead."""
    board = wiring.board
    if fault.kind == "bridge" and fault.other is not None:
        link, dq = fault.other
        one = replace(fault, kind="open-data", mode="hard", other=None)
        return [[one, replace(one, link=link, dq=dq)]]
    if fault.site is None:
        alone = [s for s in fault.sites if len(fault.sites) == 1]
        return [
            [Fault("missing", site=s, mode="die", sites=(s,), spread=fault.spread)]
            for s in alone
            if fault.rail is not None
        ]
    own = board.sites[fault.site].channels
    channel = fault.channel if fault.channel is not None else own[0]
    hits = tuple(wiring.of_channel[channel])
    lone = {wiring.site_of[i] for i in hits} == {fault.site}
    ca = replace(fault, kind="open-ca", channel=channel, hits=())
    if fault.kind == "phy-channel" and fault.mode in ("deaf", "dead"):
        return [[replace(ca, mode="partial" if fault.mode == "deaf" else "dead")]] if lone else []
    if fault.kind == "missing" and len(own) == 1:
        return [[replace(ca, mode="dead")]]
    if fault.kind == "open-ca":
        found = []
        if lone:
            mode = "deaf" if fault.mode == "partial" else "dead"
            found.append([replace(fault, kind="phy-channel", mode=mode, hits=hits)])
        if len(own) == 1:
            found.append([replace(fault, kind="missing", mode="die")])
        return found
    return []
