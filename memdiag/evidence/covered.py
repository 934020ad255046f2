"""Which part of what a count covers may be bad: a lane, a package, several of them."""

from __future__ import annotations

from msgspec import Struct

from memdiag.model.figures import Table

_F = Table("Counts of many lanes")


class Cover(Struct, frozen=True):
    """What a count covers: lanes in all, and lanes of one package among them."""

    lanes: int = 1
    of_package: int = 1


MORE = _F.practice("more of them", 0.05, "share of bad parts beside which one more is as bad")
MOST_PARTS = 4


def divisors(state: str, cover: Cover) -> dict[float, float]:
    """Which share of what a count covers may be in the state, as divisors of its exposure, each
    with its chance: nobody knows whether one lane is that bad or all of a package, but a package
    that is gone takes all its lanes and an open strobe one. Several may be: their errors add up."""
    lane, package = float(cover.lanes), cover.lanes / cover.of_package
    if state == "absent":
        ones: tuple[float, ...] = (package,)
    elif state == "mute":
        ones = (package, min(lane, 2 * package))
    elif state in ("stuck", "joined", "dead"):
        ones = (lane,)
    else:
        return dict.fromkeys((1.0, package, lane), 1.0)
    out: dict[float, float] = {}
    for one in ones:
        # All lanes of a package at once are no matter of lanes.
        every = int(one) - (cover.lanes == cover.of_package and one == lane)
        for k in range(1, min(MOST_PARTS, max(every, 1)) + 1):
            out[one / k] = out.get(one / k, 0.0) + MORE ** (k - 1)
    return out
