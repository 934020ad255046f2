"""Stray wrong words of sound packages: a cell or an upset here and there, and no fault.

Of 600 packages without a fault of their own 44 showed one to three wrong words in about 1e9 bits
(CMU-SAFARI, DIVA-DRAM, SIGMETRICS 2017).
"""

from __future__ import annotations

from msgspec import Struct

from tests.simulator.stand import Stand

SHARE = 44 / 600
"""Packages with a stray word when all of the package has been read."""

WHOLE = 1e9
"""Bits of a package after which reading on finds the same cells again."""

SEVERAL = (0.7, 0.9)
"""Where a package has stray words: up to here one, up to there two, above three. Common practice,
no source: only the ends were published."""

LINES = (0.85, 0.96)
"""Of a stray word: up to here one bit is wrong, up to there two, above three."""

SEEN = 0.1
"""Stray words that happened on the way, so that a link check sees them; the rest are cells."""


class Stray(Struct, frozen=True):
    """One wrong word of one lane: its lines, and what each read."""

    link: int
    bits: tuple[tuple[int, int], ...]
    checked: bool


def strays(stand: Stand, nth: int) -> list[Stray]:
    """The stray words of one pass: each word of the run falls into one of its passes."""
    wiring, rig = stand.wiring, stand.rig
    u = stand.noise.uniform("stray-words", len(wiring.board.sites), 2)
    passes = max(1, len(rig.temps))
    found = []
    for site, links in enumerate(wiring.of_site):
        compared = passes * sum(rig.bits * len(stand.owned(i)) / 8 for i in links)
        if u[site, 0] >= SHARE * min(1.0, compared / WHOLE):
            continue
        words = 1 + sum(u[site, 1] >= edge for edge in SEVERAL)
        for k in range(words):
            rng = stand.noise.stream(f"stray/{site}/{k}")
            if rng.randrange(passes) == nth:
                link = rng.choice(links)
                lines = rng.random()
                hit = rng.sample(stand.owned(link), 1 + sum(lines >= edge for edge in LINES))
                bits = tuple((d, rng.randrange(2)) for d in hit)
                found.append(Stray(link, bits, rng.random() < SEEN))
    return found
