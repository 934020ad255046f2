"""What outcomes teach: the shop's priors, whether verdicts are right as often as they say, where
boards fail, and what cures.

The shipped priors are judgement. They count for `WEIGHT` boards, and what the shop found counts for
the boards it was found on: for each cause a Beta distribution of the chance that a board has it,
and below a cause with several kinds a Dirichlet distribution of the kind (`stats.dirichlet`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from msgspec import Struct
from sqlalchemy import select
from sqlalchemy.engine import Connection

from memdiag.boards import profiles
from memdiag.diagnosis.settings import Settings
from memdiag.ledger import query
from memdiag.ledger.errors import LedgerError
from memdiag.ledger.filters import Filter
from memdiag.ledger.outcomes import CAUSES, Claim, by_cause, is_at
from memdiag.ledger.tables import profile, run
from memdiag.model import Board, Cause
from memdiag.model.ledger import (
    Bin,
    BoardFaults,
    Calibration,
    Cure,
    LearntPrior,
    SiteCount,
    Statistics,
)
from memdiag.stats import calibration, dirichlet
from memdiag.stats.limits import binomial_limits

WEIGHT = 40.0
"""Boards that the shipped priors count for. Judgement, no source: with it a shipped prior of 0.1 is
good to a factor of 1.6 (one standard deviation), and of two makers the fault rates differed by four
(Sridharan and others, SC'13), that is by two to either side."""

BINS = 10
_BROAD = (Cause.SUPPLY.value, Cause.CONTROLLER.value)
_CLEAR = Cause.CLEAR.value
_NO_CLAIM = (Cause.UNDECIDED.value, Cause.SPILLOVER.value)
Rows = Sequence[Mapping[str, Any]]


class Case(Struct, frozen=True):
    """A ticket with outcomes: those that count, and what its first run's verdict said."""

    ticket: str
    board: str | None
    outcomes: tuple[Claim, ...]
    against: int
    findings: Rows
    summary: Mapping[str, Any] | None

    @property
    def settled(self) -> bool:
        """Whether all that was wrong is told: it was cured, or nothing was wrong."""
        return any(o.cured == "yes" or o.was == _CLEAR for o in self.outcomes)


def statistics(
    connection: Connection,
    wanted: Filter | None = None,
    shop: Settings | None = None,
    weight: float = WEIGHT,
) -> Statistics:
    """What the outcomes of the tickets that the filter lets through teach, from the shop's priors
    so far. Raises LedgerError where one of those is certain already."""
    wanted = wanted or Filter()
    cases = list(_cases(connection, wanted))
    every = [o for case in cases for o in case.outcomes]
    return Statistics(
        tickets=len(query.rows(connection, "tickets", wanted)),
        boards=len(cases),
        outcomes=len(every),
        proved=sum(o.proof == "case" for o in every),
        against=sum(case.against for case in cases),
        weight=weight,
        priors=learnt(cases, shop or Settings(), weight),
        calibrations=tuple(_calibrations(cases)),
        faults=_faults(cases, _profiles(connection)),
        cures=_cures(every),
    )


# --- cases --------------------------------------------------------------------------------------


def _cases(connection: Connection, wanted: Filter) -> Iterator[Case]:
    told = _by_ticket(query.rows(connection, "outcomes", wanted))
    runs = _by_ticket(query.rows(connection, "runs", Filter(board=wanted.board)))
    findings = _by_ticket(query.rows(connection, "findings", Filter(board=wanted.board)))
    for ticket, outcomes in told.items():
        mine = runs.get(ticket, [])
        first = mine[0] if mine else None
        said = [f for f in findings.get(ticket, []) if first and _is_of(f, first)]
        board = next((r["board"] for r in mine if r["board"]), None)
        counting = latest(outcomes)
        against = sum(o["against"] is not None for o in outcomes)
        yield Case(ticket, board, counting, against, said, first)


def _by_ticket(rows: Iterable[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        found.setdefault(row["ticket"], []).append(row)
    return found


def _is_of(finding: Mapping[str, Any], first: Mapping[str, Any]) -> bool:
    return all(finding[name] == first[name] for name in ("entry", "position"))


def latest(rows: Iterable[Mapping[str, Any]]) -> tuple[Claim, ...]:
    """Of the outcomes of a ticket, in order of time, the one of each place that counts."""
    found: dict[tuple[str | None, str | None], Claim] = {}
    for row in rows:
        names = ("was", "cured", "site", "rail", "kind", "proof", "probability", "note")
        claim = Claim(**{name: row[name] for name in names})
        before = found.get((claim.site, claim.rail))
        if claim.was not in CAUSES or (
            before is not None and before.proof == "technician" and claim.proof == "case"
        ):
            continue
        found[claim.site, claim.rail] = claim
    return tuple(found.values())


# --- priors -------------------------------------------------------------------------------------


def learnt(cases: Sequence[Case], shop: Settings, weight: float) -> tuple[LearntPrior, ...]:
    """Every prior that an outcome can speak of, after these cases. Raises LedgerError where one is
    0, or the kinds of a cause come to 1 or more: a certain prior learns nothing."""
    boards = len(cases)
    of_cause = Counter(cause for case in cases for cause in {o.was for o in case.outcomes})
    named = [{(o.was, o.kind) for o in case.outcomes if o.kind} for case in cases]
    of_kind = Counter(kind for each in named for _, kind in each)
    made = []
    for cause, priors in by_cause().items():
        shipped = {p.name: shop.prior(p) for p in priors}
        for name, value in (*shipped.items(), (f"all kinds of {cause}", sum(shipped.values()))):
            if not 0 < value < 1:
                raise LedgerError("prior-certain", name=name, value=value)
        whole = dirichlet.Beta.worth(sum(shipped.values()), weight).after(of_cause[cause], boards)
        prior_counts = {name: value * weight for name, value in shipped.items()}
        parts = dirichlet.shares(prior_counts, {n: float(of_kind[n]) for n in shipped})
        low, high = whole.limits()
        for name, share in parts.items():
            figures = (whole.mean * share, low * share, high * share)
            seen = (of_cause[cause], of_kind[name])
            made.append(LearntPrior(name, cause, shipped[name], *seen, *figures))
    return tuple(made)


# --- were verdicts right? -----------------------------------------------------------------------


def _calibrations(cases: Sequence[Case]) -> Iterator[Calibration]:
    """Of the first run of each ticket: what came later was judged with the answer half known."""
    yield _calibrated("what it is", [c for case in cases for c in _causes(case)])
    yield _calibrated("where it is", [c for case in cases for c in _places(case)])


def _causes(case: Case) -> Iterator[tuple[float, bool | None]]:
    """Each cause that was stated, and whether it was so; None where no outcome tells."""
    for f in case.findings:
        if f["cause"] in _NO_CLAIM or f["expected"]:
            continue
        here = _here(case, f)
        yield f["probability"], any(o.was == f["cause"] for o in here) if here else _absent(case)
    s = case.summary
    if s is not None and s["cause"] == _CLEAR and s["probability"] is not None:
        yield s["probability"], all(o.was == _CLEAR for o in case.outcomes)


def _places(case: Case) -> Iterator[tuple[float, bool | None]]:
    """Each place where something was said to be wrong, whatever it is."""
    for f in case.findings:
        if f["cause"] == Cause.SPILLOVER.value or f["expected"] or f["place_probability"] is None:
            continue
        here = _here(case, f)
        right = any(o.was != _CLEAR for o in here) if here else _absent(case)
        yield f["place_probability"], right


def _here(case: Case, finding: Mapping[str, Any]) -> list[Claim]:
    """The outcomes of a finding's place; a supply or controller may be told of the board."""
    broad = finding["cause"] in _BROAD
    return [
        o
        for o in case.outcomes
        if is_at(o, finding) or (broad and o.site is None and o.was == finding["cause"])
    ]


def _absent(case: Case) -> bool | None:
    """Of a place that no outcome names: nothing was wrong there, if all that was wrong is told."""
    return False if case.settled else None


def _calibrated(what: str, claims: Sequence[tuple[float, bool | None]]) -> Calibration:
    known = [(p, right) for p, right in claims if right is not None]
    found = calibration.binned(known, BINS)
    bins = tuple(Bin(mean, n, right, *binomial_limits(right, n)) for mean, n, right in found)
    return Calibration(
        what,
        bins,
        len(claims) - len(known),
        calibration.expected_error(found),
        calibration.brier(known),
    )


# --- where boards fail, and what cures ----------------------------------------------------------


def _faults(cases: Sequence[Case], known: Mapping[str, Board]) -> tuple[BoardFaults, ...]:
    made = []
    for name in sorted({case.board or "" for case in cases}):
        mine = [case for case in cases if (case.board or "") == name]
        sites: dict[str, Counter[str]] = {}
        for case in mine:
            for o in case.outcomes:
                if o.was != _CLEAR:
                    sites.setdefault(o.place, Counter())[o.was] += 1
        counts = [SiteCount(site, tuple(c.most_common())) for site, c in sites.items()]
        counts.sort(key=lambda s: (-s.count, s.site))
        made.append(BoardFaults(name, len(mine), tuple(counts), known.get(name)))
    return tuple(made)


def _profiles(connection: Connection) -> dict[str, Board]:
    """The newest filed profile of each board."""
    asked = select(run.c.board, profile.c.text).join(profile, run.c.profile == profile.c.sha256)
    texts = {name: text for name, text in connection.execute(asked.order_by(run.c.id)) if name}
    boards = ((name, profiles.examine(text)[0]) for name, text in texts.items())
    return {name: board for name, board in boards if board is not None}


def _cures(outcomes: Iterable[Claim]) -> tuple[Cure, ...]:
    tried: Counter[str] = Counter()
    cured: Counter[str] = Counter()
    for o in outcomes:
        if o.cured in ("yes", "no") and o.was != _CLEAR:
            tried[o.was] += 1
            cured[o.was] += o.cured == "yes"
    return tuple(Cure(cause, tried[cause], cured[cause]) for cause in CAUSES if tried[cause])
