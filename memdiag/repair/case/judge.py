"""The runs of a repair, judged together: the board as it was in each, from all that was seen."""

from __future__ import annotations

from collections.abc import Sequence

from memdiag.diagnosis.judge import conclude
from memdiag.diagnosis.settings import Settings
from memdiag.evidence.build import gather
from memdiag.evidence.measurements import Measurements, measure
from memdiag.model import Board, Run, Verdict
from memdiag.repair.case import taken_off
from memdiag.repair.case.joint import Joint, Watched, infer


def watch(runs: Sequence[Run], board: Board, settings: Settings) -> list[Watched]:
    """The runs with what each says of its places; readings of rails with packages off, and with
    them on, tell what those drew."""
    found = []
    for run in runs:
        measured = measure(run, board)
        found.append(Watched(measured, gather(measured, settings.limits.thin_ui)))
    taken_off.attribute(found)
    return found


def verdict_in(
    joint: Joint,
    watched: Sequence[Watched],
    run: int,
    settings: Settings,
    *,
    rails_only: bool = False,
) -> Verdict:
    """The board as it was in a run, from all the runs that the posterior was taken over."""
    hypotheses, posterior = joint.seen_in(run)
    w = watched[run]
    return conclude(w.measured, w.evidence, hypotheses, posterior, settings, rails_only=rails_only)


def judge_together(
    runs: Sequence[Run], board: Board, settings: Settings | None = None
) -> list[tuple[Measurements, Verdict]]:
    """Each run, measured, and the verdict on the board as it was in it, from all of them."""
    settings = settings or Settings()
    watched = watch(runs, board, settings)
    joint = infer(watched, board, settings)
    return [(w.measured, verdict_in(joint, watched, n, settings)) for n, w in enumerate(watched)]
