"""A soak plan and its reverse become a page, and the JSON document `memdiag-soak/1`."""

from __future__ import annotations

from functools import partial
from typing import Any

from msgspec.structs import asdict

from memdiag import __version__
from memdiag.model.quantities import show_duration, show_rate
from memdiag.model.soak import SoakPlan, SoakProof
from memdiag.reports.page import NOT_SAID, Column, Grid, Page, Part, Row, Sheet, Statement

SIDES = {1: "one-sided", 2: "two-sided"}

_COLUMNS = tuple(
    Column(heading, right=True, least=least)
    for heading, least in (("errors", 9), ("compared", 14), ("time", 9))
)


def soak_page(plan: SoakPlan | None, proof: SoakProof | None) -> Page:
    """What to run, then what was shown; None for what was not asked."""
    said = ([] if plan is None else [_plan(plan)]) + ([] if proof is None else [_proof(proof)])
    return Page(
        said[0].says,
        lambda: [Part(answer=statement) for statement in said],
        partial(_document, plan, proof),
        partial(_sheet, plan, proof),
    )


def _plan(p: SoakPlan) -> Statement:
    first = p.steps[0]
    seen = "without an error" if first.errors == 0 else f"with {_errors(first.errors)}"
    more = [f"at {_confidence(p.confidence)}, {SIDES[p.sided]}."]
    if first.seconds is None or p.line_rate is None:
        more.append("Give --line-rate to see how long that takes.")
    else:
        busy = "" if p.share == 1 else f", {p.share * 100:g} % of the time comparing"
        more.append(
            f"{_time(first.seconds)} on {p.scope} ({p.lines} data lines) "
            f"at {p.line_rate / 1e9:g} Gbit/s a line{busy}."
        )
        if p.each_lane is not None:
            more.append(f"That is the rate over {p.scope}. To show it of every lane by itself,")
            more.append(f"all of them running at once: {_time(p.each_lane)}.")
    rows = [
        Row((_errors(step.errors), f"{_bits(step.bits)} bits", _time(step.seconds)), "plain")
        for step in p.steps
    ]
    return Statement(
        f"RUN {_bits(first.bits)} bits {seen}: that shows a rate below {show_rate(p.rate)}",
        tuple(more),
        Grid(_COLUMNS, tuple(rows), "If errors are seen, run on:", "test lengths"),
    )


def _proof(p: SoakProof) -> Statement:
    chance = _confidence(p.confidence)
    seen = "no error" if p.errors == 0 else _errors(p.errors)
    return Statement(
        f"SHOWN by {_bits(p.bits)} bits with {seen} on {p.scope}:",
        (
            f"a rate below {show_rate(p.below)} at {chance}, one-sided;",
            f"from {show_rate(p.low)} to {show_rate(p.high)} at {chance}, two-sided.",
            "A burst is one event: repeat the test to tell bursts from a steady rate.",
        ),
    )


def _errors(n: int) -> str:
    return f"{n:,} error" + ("" if n == 1 else "s")


def _bits(n: int) -> str:
    """Four figures, as the tables of test lengths have them."""
    if n < 10**6:
        return f"{n:,}"
    mantissa, exponent = f"{n:.3e}".split("e")
    return f"{mantissa}e{int(exponent)}"


def _time(seconds: float | None) -> str:
    if seconds is None:
        return NOT_SAID
    return "under 1 s" if seconds < 1 else show_duration(seconds)


def _confidence(p: float) -> str:
    return f"{p * 100:.10g} %"


def _document(plan: SoakPlan | None, proof: SoakProof | None) -> dict[str, Any]:
    """Plan and proof with their figures in full; null where not asked for."""
    return {
        "format": "memdiag-soak/1",
        "tool": __version__,
        "plan": None if plan is None else asdict(plan) | {"steps": [*map(asdict, plan.steps)]},
        "proof": None if proof is None else asdict(proof),
    }


def _sheet(plan: SoakPlan | None, proof: SoakProof | None) -> Sheet:
    """A line a number of errors that may be seen, and one for the run that was made."""
    rows: list[dict[str, Any]] = []
    if plan is not None:
        rows += [{"kind": "plan", **asdict(plan), **asdict(step)} for step in plan.steps]
    if proof is not None:
        rows.append({"kind": "proof", **asdict(proof)})
    return Sheet.of(rows, but="steps")
