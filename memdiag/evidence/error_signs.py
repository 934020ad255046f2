"""What errors look like -> how likely that is in each state: which way they went, whether the link
check saw them, whether they repeat, and on which data lines of a lane they are.
"""

from __future__ import annotations

import math

from memdiag.evidence.nodes import LINE, PLACE

# --- direction ------------------------------------------------------------------------------
# What an undriven line reads follows from where its termination pulls: to VDDQ (pseudo open
# drain: JESD250, JESD212, JESD79-4, JESD79-5) it reads 1, to ground (LVSTL: JESD209-4,
# JESD209-5) 0, to mid-rail (SSTL: JESD79-3) either. Derived; strong evidence, never proof.
_PULL = {
    "gddr5": "rose",
    "gddr6": "rose",
    "ddr4": "rose",
    "ddr5": "rose",
    "lpddr4": "fell",
    "lpddr5": "fell",
}

# Probabilities of (one way as the termination pulls, one way against it, both ways).
_ONE_WAY = {
    "sound": (0.17, 0.17, 0.66),
    "stray": (0.17, 0.17, 0.66),
    "disturbed": (0.12, 0.12, 0.76),
    "array": (0.25, 0.25, 0.50),
    "astray": (0.07, 0.07, 0.86),
    "thin": (0.12, 0.12, 0.76),
    "line": (0.55, 0.25, 0.20),
    "dead": (0.70, 0.08, 0.22),
    "mute": (0.80, 0.05, 0.15),
    "absent": (0.85, 0.04, 0.11),
    "open": (0.66, 0.16, 0.18),
    "joined": (0.44, 0.44, 0.12),
}

MIN_DIRECTED = 4


def direction_loglik(
    rose: float, fell: float, memory: str | None, kind: str = "place"
) -> dict[str, float] | None:
    """Log likelihood of the errors' directions; None with fewer than MIN_DIRECTED of them."""
    n = rose + fell
    if n < MIN_DIRECTED:
        return None
    pull = _PULL.get(memory or "")
    share = (fell if pull == "fell" else rose) / n
    feature = 0 if share >= 0.95 else 1 if share <= 0.05 else 2
    # Four errors one way are a coin's luck one time in eight: a small sample speaks softly.
    weight = 1.0 - math.exp(-(n - 2) / 6)
    out = {}
    for state in PLACE if kind == "place" else LINE:
        with_, against, both = _ONE_WAY[state]
        if pull is None:
            with_ = against = (with_ + against) / 2
        out[state] = weight * math.log((with_, against, both)[feature])
    return out


# --- link check -----------------------------------------------------------------------------
# The check code is computed over what travelled: it is good when the cells were wrong and bad
# when the line was (JESD250: CRC over each byte's burst, returned on EDC).
_BAD = {
    "sound": 0.5,
    "stray": 0.55,
    "disturbed": 0.78,
    "array": 0.04,
    "astray": 0.03,
    "thin": 0.93,
    "line": 0.94,
    "joined": 0.94,
    "dead": 0.93,
    "mute": 0.85,
    "absent": 0.85,
}
_ANY_BAD = {
    "sound": 0.008,
    "stray": 0.10,
    "disturbed": 0.30,
    "array": 0.02,
    "astray": 0.02,
    "thin": 0.70,
    "line": 0.80,
    "joined": 0.80,
    "dead": 0.80,
    "mute": 0.60,
    "absent": 0.60,
}


def link_check_loglik(ok: float, bad: float) -> dict[str, float] | None:
    """Log likelihood of error words whose link check was good or bad; None without any."""
    n = ok + bad
    if n <= 0:
        return None
    # Words of one run share their cause: beyond a handful they repeat, not confirm.
    scale = min(n, 4.0) / n
    return {s: scale * (bad * math.log(_BAD[s]) + ok * math.log(1 - _BAD[s])) for s in PLACE}


def edc_count_loglik(failed: int, errors: int | None) -> dict[str, float]:
    """Log likelihood of a count of failed link checks beside a count of wrong bits."""
    if errors:
        # A failed burst holds many wrong bits, so with many errors a few failures are already
        # the rule; with a handful each error is a burst of its own.
        bad = min(failed, errors) if errors <= 30 or not failed else errors
        return link_check_loglik(errors - bad, bad) or {}
    return {s: math.log(_ANY_BAD[s] if failed else 1 - _ANY_BAD[s]) for s in PLACE}


REPEATS = 4.0
_REPEATING = {
    "sound": 0.10,
    "stray": 0.10,
    "disturbed": 0.08,
    "array": 0.55,
    "astray": 0.40,
    "thin": 0.12,
    "line": 0.25,
    "joined": 0.25,
    "dead": 0.30,
    "mute": 0.30,
    "absent": 0.30,
}


def repeat_loglik(errors: int, cells: int) -> dict[str, float]:
    """Log likelihood of errors that hit the same addresses again (more than REPEATS times each)
    or not: a weak cell fails at every pass, a disturbed line somewhere else each time."""
    again = errors > REPEATS * max(cells, 1)
    return {s: math.log(p if again else 1 - p) for s, p in _REPEATING.items()}


MANY_LINES = {
    s: math.log(p)
    for s, p in {
        "sound": 0.10,
        "stray": 0.20,
        "disturbed": 0.30,
        "array": 0.28,
        "astray": 0.85,
        "thin": 0.60,
        "line": 0.02,
        "joined": 0.02,
        "dead": 0.95,
        "mute": 0.95,
        "absent": 0.95,
    }.items()
}
"""Log likelihood that at least half of a lane's data lines are wrong alike."""


STEADY = {
    s: math.log(p)
    for s, p in {
        "sound": 0.02,
        "stray": 0.02,
        "disturbed": 0.06,
        "array": 0.02,
        "astray": 0.02,
        "thin": 0.20,
        "open": 0.90,
        "joined": 0.80,
        "dead": 0.30,
    }.items()
}
"""Log likelihood that one line holds most of its lane's errors at addresses all over the array:
a steady line over many rows and banks is the line, not its cells."""


# --- data lines of one lane -----------------------------------------------------------------
# Where only a (capped) list of error words is known, shares within the lane are all there is:
# (no errors, under a tenth of the worst line's, more).
_SHARE = {
    "sound": (0.970, 0.022, 0.008),
    "stray": (0.80, 0.12, 0.08),
    "disturbed": (0.72, 0.18, 0.10),
    "array": (0.50, 0.20, 0.30),
    "astray": (0.06, 0.09, 0.85),
    "thin": (0.25, 0.25, 0.50),
    "open": (0.02, 0.05, 0.93),
    "joined": (0.03, 0.07, 0.90),
    "dead": (0.02, 0.03, 0.95),
}


def share_loglik(wrong: float, most: float) -> dict[str, float]:
    """Log likelihood of a line's share of its lane's wrong bits: `wrong` of the worst's `most`."""
    feature = 0 if wrong == 0 else 1 if wrong < most / 10 else 2
    weight = 1.0 - math.exp(-most / 2)  # one wrong bit in all says little of the other seven
    return {s: weight * math.log(_SHARE[s][feature]) for s in LINE}


def joined_ratio(apart: float, wrong: float, together: float, patterns: int) -> float:
    """Log likelihood ratio that a line is shorted to another against being bad by itself.

    Shorted lines are wrong only where they were written unlike (`apart` = wrong bits where they
    were written alike) and never both at once (`together`). `patterns` is how many different
    words were written that set two lines or more against the rest: a short counting sequence or
    a walking one may never have written these two alike, and then two open lines print the same.
    """
    if wrong < 3 or patterns < 6:
        return 0.0
    n = min(wrong, 12.0) * min(1.0, (patterns - 5) / 8)
    odd = min((apart + together) / wrong, 1.0)
    # By itself a line is wrong as often beside a like neighbour as beside an unlike one.
    joined = (1 - odd) * math.log(0.97) + odd * math.log(0.03)
    return n * (joined - math.log(0.5))
