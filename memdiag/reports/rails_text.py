"""Rail readings for a terminal."""

from __future__ import annotations

from memdiag.diagnosis.cautions import INJECT, OHMS, QUALIFIED
from memdiag.model import words as wording
from memdiag.model.quantities import show_ohms, show_probability
from memdiag.model.rails import RailsReport
from memdiag.reports.text import listed


def rails_text(report: RailsReport) -> str:
    """The answer, every reading with its judgement, what to do next, cautions."""
    from tabulate import tabulate

    v = report.verdict
    top = v.findings[0] if v.findings else None
    if top is None:
        head = ["rails: CLEAR", "DO: nothing here; boot and judge a dump"]
    else:
        head = [
            f"{top.locus}: {top.cause.value.upper()} ({show_probability(top.probability)})",
            f"DO: {wording.action_words(top.action, top.locus)}",
        ]
        rest = [f"{c} {show_probability(p)}" for c, p in top.alternatives if p >= 0.02]
        head += ["instead: " + ", ".join(rest)] if rest else []
    rows = [
        [r.rail, show_ohms(r.ohms), r.trend or "-", ", ".join(r.without) or "-", r.word]
        for r in report.readings
    ]
    headings = ["rail", "reads", "trend", "off", "judged"]
    table = tabulate(rows, headers=headings, disable_numparse=True)
    parts = ["\n".join(head), table]
    said = [f"{rail}: what was taken off had {show_ohms(ohms)}" for rail, ohms in report.accounted]
    for rail, volts, amps, watts, warning in report.injections:
        text = f"{rail}: {volts:g} V would drive {amps:.2g} A, {watts:.2g} W"
        said.append(text + (f". LIMIT: {warning}" if warning else ""))
    if said:
        parts.append(listed(said))
    steps = [s for f in v.findings for s in f.next]
    if steps:
        parts.append("NEXT\n" + listed(dict.fromkeys(steps)))
    parts.append("CAUTION\n" + listed([OHMS, INJECT, QUALIFIED], "!"))

    return "\n\n".join(parts) + "\n"
