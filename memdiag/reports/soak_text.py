"""A soak plan and its reverse, as text and as the JSON document `memdiag-soak/1`."""

from __future__ import annotations

import json
from dataclasses import asdict

from memdiag import __version__
from memdiag.model.quantities import show_duration, show_rate
from memdiag.model.soak import SoakPlan as Plan
from memdiag.model.soak import SoakProof as Proof

SIDES = {1: "one-sided", 2: "two-sided"}


def soak_page(plan: Plan | None, proof: Proof | None) -> str:
    """The page: what to run, then what was shown."""
    parts = []
    if plan is not None:
        parts.append(_plan(plan))
    if proof is not None:
        parts.append(_proof(proof))
    return "\n\n".join(parts) + "\n"


def _plan(p: Plan) -> str:
    first = p.steps[0]
    seen = "without an error" if first.errors == 0 else f"with {_errors(first.errors)}"
    lines = [
        f"RUN {_bits(first.bits)} bits {seen}: that shows a rate below {show_rate(p.rate)}",
        f"    at {_confidence(p.confidence)}, {SIDES[p.sided]}.",
    ]
    if first.seconds is not None and p.line_rate is not None:
        busy = "" if p.share == 1 else f", {p.share * 100:g} % of the time comparing"
        lines.append(
            f"    {_time(first.seconds)} on {p.scope} ({p.lines} data lines) "
            f"at {p.line_rate / 1e9:g} Gbit/s a line{busy}."
        )
        if p.each_lane is not None:
            lines.append(
                f"    That is the rate over {p.scope}. To show it of every lane by itself,"
            )
            lines.append(f"    all of them running at once: {_time(p.each_lane)}.")
    else:
        lines.append("    Give --line-rate to see how long that takes.")
    lines += ["", "If errors are seen, run on:"]
    for step in p.steps:
        took = "" if step.seconds is None else f"  {_time(step.seconds):>9}"
        lines.append(f"  {_errors(step.errors):>9}  {_bits(step.bits):>9} bits{took}")
    return "\n".join(lines)


def _proof(p: Proof) -> str:
    chance = _confidence(p.confidence)
    seen = "no error" if p.errors == 0 else _errors(p.errors)
    return "\n".join(
        (
            f"SHOWN by {_bits(p.bits)} bits with {seen} on {p.scope}:",
            f"    a rate below {show_rate(p.below)} at {chance}, one-sided;",
            f"    from {show_rate(p.low)} to {show_rate(p.high)} at {chance}, two-sided.",
            "    A burst is one event: repeat the test to tell bursts from a steady rate.",
        )
    )


def _errors(n: int) -> str:
    return f"{n:,} error" + ("" if n == 1 else "s")


def _bits(n: int) -> str:
    """Four figures, as the tables of test lengths have them."""
    if n < 10**6:
        return f"{n:,}"
    mantissa, exponent = f"{n:.3e}".split("e")
    return f"{mantissa}e{int(exponent)}"


def _time(seconds: float) -> str:
    return "under 1 s" if seconds < 1 else show_duration(seconds)


def _confidence(p: float) -> str:
    return f"{p * 100:.10g} %"


def soak_json(plan: Plan | None, proof: Proof | None) -> str:
    """Plan and proof with their figures in full; null where not asked for."""
    document = {
        "format": "memdiag-soak/1",
        "tool": __version__,
        "plan": None if plan is None else asdict(plan),
        "proof": None if proof is None else asdict(proof),
    }
    return json.dumps(document, indent=2, allow_nan=False)
