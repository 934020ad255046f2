"""A learnt baseline in a few lines, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.model import Baseline, HealthyEye
from memdiag.model.quantities import show_ohms, show_rate


def lines(baseline: Baseline) -> list[str]:
    """How many boards, then a line an eye, slope and rail, each with its spread."""
    n = baseline.boards
    head = f"baseline of {n} good board{'' if n == 1 else 's'}"
    if baseline.error_floor is not None:
        floor = show_rate(baseline.error_floor)
        head += f": at most {floor} wrong bits per bit (95 %, one-sided)"
    return [head, *(f"  {line}" for line in _figures(baseline))]


def _figures(baseline: Baseline) -> Iterator[str]:
    for eye in baseline.eyes:
        if eye.lane is None:
            said = f"{eye.step} eye {eye.what} {_centre(eye)}, spread {_percent(eye.spread)}"
            yield said + _by_lane(eye, baseline)
    for slope in baseline.slopes:
        yield f"{slope.step} delay {slope.taps:+.3g} taps a lane, spread {slope.spread:.2g}"
    for rail in baseline.rails:
        yield f"{rail.rail} {show_ohms(rail.ohms)}, spread {_percent(rail.spread)}"


def _by_lane(eye: HealthyEye, baseline: Baseline) -> str:
    """How far apart the lanes' own figures lie, where there are several."""
    of = [
        other
        for other in baseline.eyes
        if other.lane is not None
        and (other.what, other.unit, other.step) == (eye.what, eye.unit, eye.step)
    ]
    if not of:
        return ""
    least, most = (end(of, key=lambda e: e.centre) for end in (min, max))
    if _centre(least) == _centre(most):
        return ""
    return (
        f"; lane by lane {_centre(least)} (lane {least.lane}) to {_centre(most)} (lane {most.lane})"
    )


def _percent(share: float) -> str:
    return f"{share * 100:.0f} %"


_SHOWN = {"s": (1e12, "ps"), "V": (1e3, "mV"), "tap": (1.0, "taps")}


def _centre(eye: HealthyEye) -> str:
    factor, unit = _SHOWN.get(eye.unit, (1.0, eye.unit))
    return f"{eye.centre * factor:.3g} {unit}"
