"""Where hot air is wanted and where it must not go, as the pictures of the bench page say it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from memdiag.model import HEATS, Finding, Verdict
from memdiag.reports.packages import COLD, HOT, Mark
from memdiag.reports.verdict_page import marks


@dataclass(frozen=True, slots=True)
class Heat:
    """`hot`: the sites to heat; `cold`: those that a finding names and that are to be left
    unheated; `clear`: nothing is wrong with the board."""

    hot: tuple[str, ...]
    cold: tuple[str, ...]
    clear: bool


def heat_of(verdict: Verdict) -> Heat:
    """What the verdict says of heat, site by site. Where several packages are not told apart none
    of them is heated: the measurements that settle it come first."""
    hot = dict.fromkeys(
        site for f in verdict.findings if _heats(f) for site in f.place.sites(verdict.board)
    )
    cold = (ref for ref in marks(verdict) if ref not in hot)
    return Heat(tuple(hot), tuple(cold), verdict.released)


def heat_marks(verdict: Verdict) -> Mapping[str, Mark]:
    """How each site is drawn, with a bar that says whether it is to be heated."""
    hot = heat_of(verdict).hot
    return {
        ref: replace(mark, heat=HOT if ref in hot else COLD) for ref, mark in marks(verdict).items()
    }


def _heats(f: Finding) -> bool:
    return f.action in HEATS and not f.one_of and f.place.site is not None
