"""A run, judged: evidence -> posterior -> findings with what to do about each."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from memdiag.boards import profiles, wiring
from memdiag.diagnosis import cautions, faults, hypotheses, release, search, summary
from memdiag.diagnosis.basis import Basis
from memdiag.diagnosis.beliefs import Beliefs
from memdiag.diagnosis.faults.mechanism import Mechanism
from memdiag.diagnosis.findings import findings
from memdiag.diagnosis.hypotheses import Hypotheses
from memdiag.diagnosis.settings import Settings
from memdiag.evidence import margins, table
from memdiag.evidence.build import SOURCES, Source, gather
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.measurements import Measurements, measure
from memdiag.model import Board, Release, Run, Verdict
from memdiag.model.table import TableRow


def judge(
    run: Run,
    board: Board | str | Path | None = None,
    settings: Settings | None = None,
    mechanisms: Sequence[Mechanism] = faults.MECHANISMS,
    sources: Sequence[Source] = SOURCES,
) -> Verdict:
    """The verdict on a run. `board`: a profile or its file, else found by the run's board name.
    `mechanisms`: the faults that are weighed; `sources`: the readings that are asked beside the
    rows of the links.

    Raises profiles.ProfileError where the profile named cannot be used.
    """
    board, _ = profiles.for_run(run, board)
    return judge_measured(measure(run, board), settings, mechanisms, sources)


def judge_measured(
    measured: Measurements,
    settings: Settings | None = None,
    mechanisms: Sequence[Mechanism] = faults.MECHANISMS,
    sources: Sequence[Source] = SOURCES,
) -> Verdict:
    """The same where the run's measurements are at hand."""
    settings = settings or Settings()
    evidence = gather(measured, settings.limits.thin_ui, sources)
    found = hypotheses.build(measured.run, measured.board, evidence, settings, mechanisms)
    return conclude(measured, evidence, found, search.infer(found.model), settings)


def conclude(
    measured: Measurements,
    evidence: Evidence,
    weighed: Hypotheses,
    posterior: search.Posterior,
    settings: Settings,
    *,
    rails_only: bool = False,
) -> Verdict:
    """The verdict that a posterior supports. `rails_only`: nothing but readings was to be had, and
    whoever judges them says what stands against `clear`."""
    run, board = measured.run, measured.board
    beliefs = Beliefs(weighed, posterior)
    contested = wiring.contested(run, board)
    basis = Basis(measured, evidence, beliefs, settings, contested, rails_only)
    rows = table.rows(measured)
    found = findings(basis)
    held = Release() if rails_only else release.release(basis, found, rows)
    return Verdict(
        run,
        board,
        summary.summary(basis, found, held),
        tuple(found),
        table.judged(rows, summary.row_causes(basis, found, held, rows)),
        run.problems,
        cautions.for_findings(found, board),
        beliefs.left_out,
        summary.notes(basis),
        _eye_reference(rows, board),
        held,
    )


def _eye_reference(rows: Sequence[TableRow], board: Board) -> float | None:
    """The width in UI that healthy peers show, None where too few lanes tell it."""
    widths = [row.width_ui for row in rows if row.lane is not None and row.width_ui is not None]
    peers = margins.reference([w for w in widths if w > 0], board.thin_ui or 0.0)
    return None if peers is None or peers.count < margins.MIN_PEERS else peers.reference
