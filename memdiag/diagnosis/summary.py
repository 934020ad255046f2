"""What a verdict says of the whole: the answer in one line, the cause of every row, footnotes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from memdiag.diagnosis import wording
from memdiag.diagnosis.basis import Basis
from memdiag.evidence.measurements import swept
from memdiag.model import WANTS_WORK, Action, Cause, Finding, Place, Release, Summary
from memdiag.model.table import TableRow


def summary(basis: Basis, findings: Sequence[Finding], release: Release) -> Summary:
    """The most urgent finding, else what stands in the way of a release, else that the board is
    clear."""
    urgent = [f for f in findings if f.action in WANTS_WORK]
    source = basis.run.source
    understood = f" ({source.understood})" if source.lost else ""
    if urgent:
        top = urgent[0]
        text = wording.headline(top, urgent) + understood
        return Summary(
            top.cause,
            None if top.one_of else top.place.site,
            top.action,
            top.probability,
            text,
            top.place,
            top.place_probability,
            top.one_of,
        )
    clear = min(max(basis.beliefs.clear, 0.0), 1.0)
    if release.obstacles:
        sites = {place.site for o in release.obstacles for place in o.places}
        only = next(iter(sites)) if len(sites) == 1 else None
        text = wording.not_released(release.obstacles) + understood
        at = Place(site=only)
        return Summary(Cause.UNDECIDED, only, Action.RETEST, 1 - clear, text, at, 1 - clear)
    text = wording.all_clear(basis.evidence) + understood
    return Summary(Cause.CLEAR, None, Action.NONE, clear, text, place_probability=1 - clear)


def row_causes(
    basis: Basis, findings: Sequence[Finding], release: Release, rows: Sequence[TableRow]
) -> Mapping[Place, tuple[str, float]]:
    """The cause of every table row: the most exact finding that covers it, else clear; undecided
    where something at that place stands in the way of a release."""
    out: dict[Place, tuple[str, float]] = {}
    held: dict[str | None, set[Place]] = {}
    for obstacle in release.obstacles:
        for place in obstacle.places:
            held.setdefault(place.site, set()).add(place)
    near: dict[str | None, list[tuple[int, Finding]]] = {}
    for number, f in enumerate(findings):
        near.setdefault(f.place.site, []).append((number, f))
    for row in rows:
        some = findings
        if row.site is not None:
            some = [
                f for _, f in sorted((*near.get(row.site, ()), *near.get(None, ())), key=_first)
            ]
        covering = [f for f in some if f.place.speaks_of(row.place, basis.board)]
        if covering:
            best = max(covering, key=lambda f: _detail(f.place))
            out[row.place] = (best.cause.value, best.probability)
        elif row.site is not None:
            sure = basis.beliefs.site_causes(row.site)
            p = sure.get(Cause.CLEAR, 0.0) + sure.get(Cause.SPILLOVER, 0.0)
            at = (*held.get(row.site, ()), *held.get(None, ()))
            stands = any(place.covers(row.place) for place in at)
            cause = Cause.UNDECIDED if stands else Cause.CLEAR
            out[row.place] = (cause.value, min(max(1 - p if stands else p, 0.0), 1.0))
    return out


def _first(numbered: tuple[int, Finding]) -> int:
    return numbered[0]


def _detail(place: Place) -> int:
    return sum(getattr(place, n) is not None for n in ("site", "channel", "rank", "lane", "dq"))


def _unread(basis: Basis) -> Mapping[str, Sequence[int]]:
    """The lines of the rows that were not understood, by the site they name, for the sites of
    which no other row speaks."""
    out: dict[str, list[int]] = {}
    for lost in basis.run.lost:
        if lost.place is None or lost.place.is_board:
            continue
        for site in lost.place.sites(basis.board):
            if site in basis.evidence.silent_sites:
                out.setdefault(site, []).append(lost.position.line)
    return {site: sorted(set(numbers)) for site, numbers in out.items()}


NOTED = 0.01
"""A share of the probability that was not looked at is said from here on."""


def notes(basis: Basis) -> tuple[str, ...]:
    """Footnotes: what qualifies the whole verdict."""
    evidence, board = basis.evidence, basis.board
    out = list(evidence.notes)
    unread = _unread(basis)
    silent = [s for s in evidence.silent_sites if s not in unread]
    if silent and len(silent) < len(board.sites):
        out.append("the dump says nothing of " + ", ".join(silent))
    out += [
        f"the dump has rows of {site} that were not understood: {wording.lines(numbers)}"
        for site, numbers in unread.items()
    ]
    if any(map(swept, basis.run.counts)):
        from memdiag.evidence import delay_scans

        target = basis.settings.limits.target_rate
        out += [eye.sentence() for eye in delay_scans.eyes(basis.measured, target)]
    if basis.contested:
        out.append(
            "the dump and the board profile do not mean the same package by "
            + ", ".join(sorted(basis.contested))
        )
    if not board.known:
        out.append(
            "no board profile: which sites neighbour which is not known; "
            "memdiag board new DUMP begins one"
        )
    if basis.beliefs.left_out > NOTED:
        out.append(f"fault sets not looked at hold at most {basis.beliefs.left_out:.1%}")
    return tuple(out)
