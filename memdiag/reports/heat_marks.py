"""How each site of a judged board is drawn: its cause, whether it is to be worked on, and where hot
air is wanted and where it must not go."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct
from msgspec.structs import replace

from memdiag.model import HEATS, WANTS_WORK, Board, Cause, Finding, Verdict
from memdiag.model.nearness import nearby
from memdiag.reports.packages import COLD, HOT, Mark

SHIELD_MM = 10.0
"""What is nearer than this to a package that is heated is covered, with polyimide tape or foil
(common practice, no source)."""


class Heat(Struct, frozen=True):
    """`hot`: the sites to heat; `cold`: those that a finding names, or that are near the heat, and
    that are to be left unheated; `clear`: nothing is wrong with the board."""

    hot: tuple[str, ...]
    cold: tuple[str, ...]
    clear: bool


def heat_of(verdict: Verdict) -> Heat:
    """What the verdict says of heat, site by site. Where several packages are not told apart none
    of them is heated: the measurements that settle it come first."""
    hot = to_heat(verdict)
    return Heat(hot, tuple(r for r in marks(verdict) if r not in hot), verdict.released)


def to_heat(verdict: Verdict) -> tuple[str, ...]:
    """The sites to heat now: none, where something without heat comes first."""
    if verdict.summary.action not in HEATS:
        return ()
    found = dict.fromkeys(
        site for f in verdict.findings if _heats(f) for site in f.place.sites(verdict.board)
    )
    return tuple(found)


def heat_marks(verdict: Verdict) -> Mapping[str, Mark]:
    """How each site is drawn, with a bar that says whether it is to be heated."""
    hot = to_heat(verdict)
    return {
        ref: replace(mark, heat=HOT if ref in hot else COLD) for ref, mark in marks(verdict).items()
    }


def marks(verdict: Verdict) -> dict[str, Mark]:
    """How each site is drawn: the most urgent finding that touches it. The summary's site is worked
    on, where there is work, and every one that is to be heated. Packages of which one is meant are
    drawn alike, as no more than suspects: not with a cause, and not to be worked on. What is to be
    covered has its distance from the heat."""
    found: dict[str, Mark] = {}
    hot = to_heat(verdict)
    work = {*hot, verdict.summary.site if verdict.summary.action in WANTS_WORK else None}
    for finding in verdict.findings:
        for ref in finding.one_of:
            found.setdefault(ref, Mark(one_of=finding.one_of))
        # The whole board picks out no site.
        picks_out = not (finding.one_of or finding.place.is_board)
        for ref in finding.place.sites(verdict.board) if picks_out else ():
            found.setdefault(ref, Mark(finding.cause.value, ref in work))
    for place in (p for o in verdict.release.obstacles for p in o.places):
        if place.site is not None:
            found.setdefault(place.site, Mark(Cause.UNDECIDED.value, place.site in work))
    for ref, apart in _shielded(verdict.board, hot).items():
        found[ref] = replace(found.get(ref, Mark()), told=f"{apart:.1f} mm")
    return found


def _heats(f: Finding) -> bool:
    return f.action in HEATS and not f.one_of and f.place.site is not None


def _shielded(board: Board, hot: tuple[str, ...]) -> dict[str, float]:
    """The packages that are to be covered while those are heated, with their distance in mm."""
    found: dict[str, float] = {}
    for ref in hot:
        for other, apart, behind in nearby(board, ref):
            if apart is not None and apart < SHIELD_MM and not behind and other not in hot:
                found[other] = min(apart, found.get(other, apart))
    return found
