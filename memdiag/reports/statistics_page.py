"""What outcomes teach becomes a page, and the JSON document `memdiag-statistics/1`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

from msgspec.structs import asdict

from memdiag import __version__
from memdiag.model.ledger import (
    STATISTICS_FORMAT,
    BoardFaults,
    Calibration,
    Cure,
    LearntPrior,
    Statistics,
)
from memdiag.model.quantities import show_probability
from memdiag.reports.packages import LETTERS, Mark
from memdiag.reports.page import Column, Grid, Page, Part, Places, Row, Sheet, Statement
from memdiag.reports.plotted import Bars, Dot, Plot

NO_NAME = "boards without a name"

FEW = 30
"""Statements below which a calibration says little: the limits of a share are wider than 0.3."""


def statistics_page(learnt: Statistics) -> Page:
    """Priors, calibration, where boards fail, and what cured."""
    return Page(
        "what outcomes teach",
        lambda: list(_parts(learnt)),
        partial(_document, learnt),
        lambda: Sheet.of([asdict(p) for p in learnt.priors]),
    )


def _parts(learnt: Statistics) -> Iterator[Part]:
    yield Part(
        answer=Statement(_headline(learnt), tuple(_about(learnt))),
        title="Priors: faults to be expected on a board",
        grid=_priors(learnt.priors, learnt.boards),
        remarks=learnt.notes,
        notes=learnt.notes,
        notes_in_short=learnt.notes,
    )
    for number, one in enumerate(learnt.calibrations):
        if one.count:
            yield _calibration(one, number)
    if any(board.sites for board in learnt.faults):
        yield _causes(learnt.faults)
    for number, board in enumerate(learnt.faults):
        if board.sites:
            yield _board(board, number)
    if learnt.cures:
        yield Part(title="How often the repair cured", grid=_cures(learnt.cures))


def _headline(learnt: Statistics) -> str:
    if not learnt.boards:
        return "NOTHING LEARNT YET: no ticket has an outcome"
    outcomes = f"{learnt.outcomes} outcome{'s' * (learnt.outcomes != 1)}"
    return f"LEARNT from {outcomes} on {learnt.boards} of {learnt.tickets} tickets"


def _about(learnt: Statistics) -> Iterator[str]:
    yield f"The priors before count for {learnt.weight:g} boards, your own for {learnt.boards}."
    if learnt.proved:
        yield f"{learnt.proved} of the outcomes were proved by the case, the others told."
    if learnt.against:
        yield f"{learnt.against} spoke against what was filed: they count as told."
    if learnt.boards:
        yield "Boards without a fault count too: record them as clear, or all comes out high."


def _priors(priors: Sequence[LearntPrior], boards: int) -> Grid:
    columns = tuple(
        Column(heading, right=right, always=True)
        for heading, right in (
            ("prior", False),
            ("cause", False),
            ("before", True),
            (f"on {boards}", True),
            ("kind named", True),
            ("learnt", True),
            ("95 % of it", True),
        )
    )
    rows = tuple(
        Row(
            (
                p.name,
                p.cause,
                f"{p.shipped:.3g}",
                str(p.found),
                str(p.named),
                f"{p.learnt:.3g}",
                f"{p.low:.3f} to {p.high:.3f}",
            ),
            "plain",
        )
        for p in priors
    )
    legend = (
        f"on {boards}: of so many boards those that had the cause. Of a cause with several kinds, "
        "outcomes that name the kind divide it anew."
    )
    return Grid(columns, rows, "Priors", "priors", legend)


def _calibration(one: Calibration, number: int) -> Part:
    columns = tuple(
        Column(heading, right=True, always=True)
        for heading in ("stated, mean", "statements", "right", "share", "95 % limits")
    )
    rows = tuple(
        Row(
            (
                show_probability(b.stated),
                str(b.count),
                str(b.right),
                f"{b.share:.0%}",
                f"{b.low:.0%} to {b.high:.0%}",
            ),
            "plain",
        )
        for b in one.bins
    )
    most = max(b.count for b in one.bins)
    dots = tuple(
        Dot(
            b.stated,
            b.share,
            b.low,
            b.high,
            f"{b.right} of {b.count} right where {b.stated:.0%} was stated",
        )
        for b in one.bins
    )
    said = [f"On average stated and right lie {one.error:.0%} apart (Brier score {one.brier:.3f})."]
    if one.count < FEW:
        said.append(f"Only {one.count} statements: chance alone moves such shares far.")
    if one.unknown:
        said.append(f"{one.unknown} more statements are left out: no outcome speaks of them.")
    legend = "Lines: exact two-sided 95 % limits. Larger dots: more statements. Dashed: agreement."
    title = f"Were verdicts right about {one.what}?"
    return Part(
        name=f"k{number}",
        label=title,
        title=title,
        grid=Grid(columns, rows, title, "statements"),
        said=tuple(said),
        plots=(
            Plot(
                one.what, "stated", "right", dots, tuple(b.count / most for b in one.bins), legend
            ),
        ),
    )


def _causes(boards: Sequence[BoardFaults]) -> Part:
    """What was wrong with the boards of each kind."""
    found = []
    for board in boards:
        counts: Counter[str] = Counter()
        for site in board.sites:
            counts.update(dict(site.causes))
        if counts:
            found.append((board.name or NO_NAME, tuple(counts.most_common())))
    rows = tuple(
        Row(
            (name, str(sum(n for _, n in causes)), ", ".join(f"{c} {n}" for c, n in causes)),
            "plain",
        )
        for name, causes in found
    )
    columns = tuple(
        Column(heading, right=right, always=True)
        for heading, right in (("board", False), ("faults", True), ("causes", False))
    )
    title = "What was wrong, board by board"
    letters = dict.fromkeys(cause for _, causes in found for cause, _ in causes)
    legend = "Letters: " + ", ".join(f"{LETTERS.get(c, '')} {c}" for c in letters) + "."
    return Part(
        name="causes",
        label=title,
        title=title,
        grid=Grid(columns, rows, title, "boards"),
        plots=(Bars(title, tuple(found), legend),),
    )


def _board(board: BoardFaults, number: int) -> Part:
    name = board.name or NO_NAME
    columns = tuple(
        Column(heading, right=right, always=True)
        for heading, right in (("site", False), ("faults", True), ("causes", False))
    )
    rows = tuple(
        Row((s.site, str(s.count), ", ".join(f"{c} {n}" for c, n in s.causes)), "plain")
        for s in board.sites
    )
    title = f"Where {name} fails ({board.tickets} tickets)"
    marks = {s.site: Mark(s.causes[0][0], told=f"{s.count} x") for s in board.sites}
    places = None if board.profile is None else Places(board.profile, marks)
    return Part(
        name=f"b{number}",
        label=title,
        title=title,
        places=places,
        grid=Grid(columns, rows, title, "sites"),
    )


def _cures(cures: Sequence[Cure]) -> Grid:
    columns = (Column("it was"), Column("tried", right=True), Column("cured", right=True))
    rows = tuple(Row((c.cause, str(c.tried), str(c.cured)), "plain") for c in cures)
    return Grid(columns, rows, "How often the repair cured", "causes")


def _document(learnt: Statistics) -> dict[str, Any]:
    made = {name: getattr(learnt, name) for name in ("tickets", "boards", "outcomes", "proved")}
    return {
        "format": STATISTICS_FORMAT,
        "tool": __version__,
        **made,
        "against": learnt.against,
        "weight": learnt.weight,
        "priors": [asdict(p) for p in learnt.priors],
        "calibration": [
            {
                "what": c.what,
                "bins": [asdict(b) | {"share": b.share} for b in c.bins],
                "unknown": c.unknown,
                "error": c.error,
                "brier": c.brier,
            }
            for c in learnt.calibrations
        ],
        "boards_failing": [
            {
                "board": b.name or None,
                "tickets": b.tickets,
                "sites": [{"site": s.site, "causes": dict(s.causes)} for s in b.sites],
            }
            for b in learnt.faults
        ],
        "cures": [asdict(c) for c in learnt.cures],
        "notes": list(learnt.notes),
    }
