"""What is to be known before hot air goes on: from which side, what sits behind and beside it, what
must not be warmed."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.model import Board, Site, Verdict
from memdiag.model.nearness import kept_off, nearby
from memdiag.reports.heat_marks import SHIELD_MM, to_heat
from memdiag.reports.page import Listed

TITLE = "Before the heat"
MOST = 3
"""Sites whose surroundings are told in full."""
WARM_MM = 30.0
"""Hot air for a package warms what is nearer than this past what batteries, plastics and
electrolytic capacitors bear (common practice, no source)."""


def plan(verdict: Verdict) -> tuple[Listed, ...]:
    """What to do round each site that is to be heated; nothing where none is, or where the board's
    profile knows no places."""
    hot = to_heat(verdict)
    texts = [text for ref in hot[:MOST] for text in _round(verdict.board, ref, hot)]
    if texts and len(hot) > MOST:
        texts.append(f"and before {', '.join(hot[MOST:])}: look on the drawing for what is near")
    return (Listed(TITLE, tuple(texts)),) if texts else ()


def _round(board: Board, ref: str, hot: tuple[str, ...]) -> Iterator[str]:
    site = board.site(ref)
    if site is None or not board.known or site.x is None or site.y is None:
        return
    over = ", with the board turned over" if site.side == "bottom" else ""
    yield f"{ref}: heat it from the {site.side} side{over}; it is at x {site.x:g}, y {site.y:g} mm"
    around = [each for each in nearby(board, ref) if each[0] not in hot]
    behind = [other for other, apart, back in around if back and _is_under(apart)]
    if behind:
        yield (
            f"behind {ref}, on the other side: {' and '.join(behind)}: keep it at or below 200 C "
            "(J-STD-033), cool it or heat less from below, and press nothing against it"
        )
    near = [(other, apart) for other, apart, back in around if apart is not None and not back]
    cover = [f"{other} {apart:.1f} mm" for other, apart in near if apart < SHIELD_MM]
    if cover:
        yield f"shield beside {ref}: {', '.join(cover)} away"
    further = [f"{other} {apart:.1f} mm" for other, apart in near if apart >= SHIELD_MM]
    if further:
        yield f"beside {ref}, further off: {', '.join(further)}"
    for part, apart in kept_off(board, ref, WARM_MM):
        yield _kept_off(site, part.name, part.side, part.why, apart)


def _is_under(apart: float | None) -> bool:
    """Whether a package on the other side is under the heat, as far as is known."""
    return apart is None or apart < SHIELD_MM


def _kept_off(site: Site, name: str, side: str, why: str | None, apart: float) -> str:
    what = f"{name} ({why})" if why else name
    where = f"{apart:.1f} mm from {site.ref}" if apart else f"right at {site.ref}"
    other = f" on the {side} side" if side != site.side else ""
    return f"{what}, {where}{other}, must not be warmed: take it off first, or shield and cool it"
