"""What the earlier run heard and the later one does not: what is not heard is not known to work."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from memdiag.model import Place, Result, Run
from memdiag.repair.alignment import Link
from memdiag.repair.paired_runs import PairedRuns

BITS = "bits"
ERRORS = "errors"


def silent(pair: PairedRuns) -> dict[str, Place]:
    """In words, and where: each link that was tested before and is not now, and each that was and
    does not show a step or counts which the later run shows of others. A site that is silent as a
    whole is named once."""
    old = {key: _heard(link, pair.before) for key, link in pair.old.items()}
    new = {key: _heard(link, pair.after) for key, link in pair.new.items()}
    anywhere = set().union(*new.values())
    found: dict[str, Place] = {}
    for key, heard in old.items():
        if not heard or key.site in pair.work.off:
            continue
        still = set().union(*(what for other, what in new.items() if key.meets(other)))
        if not still - {ERRORS} and not (heard <= {ERRORS} and _lists_errors(pair.after)):
            at = key if key.site is None or key.site in pair.measured else Place(site=key.site)
            found[str(at)] = at
            continue
        lost = sorted((heard - still - {ERRORS}) & anywhere)
        if lost:
            found[f"{key} ({', '.join(lost)})"] = key
    return found


def _heard(link: Link, run: Run) -> set[str]:
    """The steps that ran there, whether bits were compared, whether wrong words were printed."""
    heard = {step for step, result in link.results.items() if result is not Result.NOT_RUN}
    if any(bits for bits, _ in _pairs(link.repeats.values())):
        heard.add(BITS)
    if run.errors is not None and link.row.errors:
        heard.add(ERRORS)
    return heard


def _pairs(
    repeats: Iterable[Mapping[int | None, tuple[int | None, int | None]]],
) -> Iterable[tuple[int | None, int | None]]:
    return (pair for attempts in repeats for pair in attempts.values())


def _lists_errors(run: Run) -> bool:
    """A list of errors is complete for the board: who is not on it showed none."""
    return run.errors is not None or "errors" in run.source.tables
