"""What a ticket holds, read and judged as a whole. Runs in a worker."""

from __future__ import annotations

from pathlib import Path

from msgspec import Struct

from memdiag.bench.refusal import Refusal
from memdiag.boards import profiles
from memdiag.diagnosis.settings import Settings
from memdiag.ledger import beside, outcomes, tickets
from memdiag.ledger.entries import Survey
from memdiag.ledger.store import TicketError, check_id, look
from memdiag.ledger.ticket_heat import heat_of
from memdiag.model import Board, Run
from memdiag.model.case import CaseReport
from memdiag.model.ledger import SiteHeat
from memdiag.repair.case.story import CaseError, case


class Filed(Struct, frozen=True):
    """A ticket with its runs in order; `notes` say what of it cannot be used."""

    ticket: str
    survey: Survey
    runs: tuple[Run, ...]
    board: Board | None
    report: CaseReport
    notes: tuple[str, ...]

    @property
    def board_file(self) -> str | None:
        """The profile that a further run of this ticket is read by."""
        return None if self.board is None else self.board.origin


def ticket(folder: Path, said: str, shop: Settings | None) -> Filed:
    """The ticket of that id. Raises Refusal where it can be none, or holds no run."""
    try:
        named = check_id(said)
        survey = look(folder, named)
        notes: list[str] = []
        runs = tickets.runs_of(folder, named, notes, tickets.Reading(shop=shop))
        path = tickets.board_of(folder, named)
    except TicketError as wrong:
        raise Refusal.of(422, "bench-field", field="ticket", reason=str(wrong)) from None
    if not runs:
        raise Refusal.of(404, "bench-no-ticket", ticket=named)
    board = None if path is None else profiles.read(path)
    try:
        report = case(runs, board, shop)
    except CaseError as wrong:
        raise Refusal(422, wrong.problems) from None
    kept = [step.run for step in report.steps]
    return Filed(named, survey, tuple(kept), board, report, tuple(notes))


def heat(folder: Path, named: str) -> tuple[SiteHeat, ...]:
    """What the sites of a ticket have been through."""
    return heat_of(folder, named)[0]


def told_outcomes(survey: Survey) -> tuple[outcomes.Outcome, ...]:
    """The outcomes of a ticket that can be read."""
    made = []
    for noted in survey.outcomes:
        try:
            made.append(outcomes.read(noted))
        except ValueError:
            continue
    return tuple(made)


def kept(survey: Survey) -> tuple[beside.Shown, ...]:
    """The notes and photographs of a ticket, as they were kept."""
    return tuple(one for one in map(beside.shown, survey.kept) if one is not None)
