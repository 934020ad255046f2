"""What errors look like -> how likely that is in each state: which way they went, whether the link
check saw them, whether they repeat, how many bits of a word they take, and on which data lines of a
lane they are.
"""

from __future__ import annotations

import numpy as np

from memdiag.evidence.nodes import Array, by_state, graded
from memdiag.model.figures import Table

_F = Table("Signs of errors")

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


def _one_way(kind: str, with_: float, against: float) -> tuple[float, float]:
    says = f"errors of {kind} all go "
    return (
        _F.practice(f"as pulled, {kind}", with_, says + "the way the termination pulls"),
        _F.practice(f"against, {kind}", against, says + "the other way"),
    )


_WAYS = {
    "margin": _one_way("margin", 0.12, 0.12),
    "array": _one_way("array", 0.25, 0.25),
    "astray": _one_way("astray", 0.07, 0.07),
    "stuck": _one_way("stuck", 0.60, 0.20),
    "joined": _one_way("joined", 0.44, 0.44),
    "dead": _one_way("dead", 0.74, 0.06),
    "absent": _one_way("absent", 0.85, 0.04),
}
_WITH, _AGAINST = (
    by_state({**{k: v[i] for k, v in _WAYS.items()}}, grades=_WAYS["margin"][i]) for i in (0, 1)
)
_BOTH = 1 - _WITH - _AGAINST

_UNDRIVEN = by_state({"array": 0, "astray": 0, "stuck": 1, "joined": 0, "dead": 1}) > 0
UNKNOWN_PULL = 0.25

MIN_DIRECTED = 4


def direction_loglik(rose: float, fell: float, memory: str | None) -> Array | None:
    """(S,) log likelihood of the errors' directions; None with fewer than MIN_DIRECTED of them.

    Where a line that nothing drives is pulled to the middle, or nobody knows where to, it reads
    noise as often as one way.
    """
    n = rose + fell
    if n < MIN_DIRECTED:
        return None
    pull = _PULL.get(memory or "")
    share = (fell if pull == "fell" else rose) / n
    # Four errors one way are a coin's luck one time in eight: a small sample speaks softly.
    weight = 1.0 - np.exp(-(n - 2) / 6)
    if pull is None:
        one = np.where(_UNDRIVEN, UNKNOWN_PULL, (_WITH + _AGAINST) / 2)
        both = 0.05 < share < 0.95
        return np.asarray(weight * np.log(1 - 2 * one if both else one))
    if 0.05 < share < 0.95:
        return np.asarray(weight * np.log(_BOTH))
    return np.asarray(weight * np.log(_WITH if share >= 0.95 else _AGAINST))


# --- link check -----------------------------------------------------------------------------
# The check code is computed over what travelled: it is good when the cells were wrong and bad
# when the line was (JESD250: CRC over each byte's burst, returned on EDC).
_CELLS_BAD = _F.practice("check bad, cells", 0.04, "error words of bad cells whose check failed")
_LINK_BAD = _F.practice("check bad, link", 0.93, "the same of a bad link")
_BAD = by_state(
    {"array": _CELLS_BAD, "astray": _CELLS_BAD, "stuck": _LINK_BAD, "dead": _LINK_BAD},
    grades=graded(0.5, _LINK_BAD),
)
_ANY_BAD = by_state(
    {"array": 0.02, "astray": 0.02, "stuck": 0.80, "dead": 0.75}, grades=graded(0.01, 0.85)
)


def link_check_loglik(ok: float, bad: float) -> Array | None:
    """(S,) log likelihood of error words whose check was good or bad; None without any."""
    n = ok + bad
    if n <= 0:
        return None
    # Words of one run share their cause: beyond a handful they repeat, not confirm.
    scale = min(n, 4.0) / n
    return np.asarray(scale * (bad * np.log(_BAD) + ok * np.log(1 - _BAD)))


def edc_count_loglik(failed: int, errors: int | None) -> Array | None:
    """(S,) log likelihood of a count of failed link checks beside a count of wrong bits."""
    if errors:
        # A failed burst holds many wrong bits, so with many errors a few failures are already
        # the rule; with a handful each error is a burst of its own.
        bad = min(failed, errors) if errors <= 30 or not failed else errors
        return link_check_loglik(errors - bad, bad)
    return np.asarray(np.log(_ANY_BAD if failed else 1 - _ANY_BAD))


# --- repetition, bits of a word --------------------------------------------------------------

REPEATS = 4.0
_REPEATING = by_state(
    {
        "array": _F.practice("repeat, cells", 0.6, "bad cells counted at each pass"),
        "astray": 0.40,
        "stuck": 0.25,
        "dead": 0.30,
    },
    grades=_F.practice("repeat, margin", 0.03, "errors of margin that hit one address again"),
)


def repeat_loglik(errors: int, cells: int) -> Array:
    """(S,) log likelihood of errors that hit the same addresses again (more than REPEATS times
    each) or not: a weak cell fails at every pass, a disturbed line somewhere else each time."""
    again = errors > REPEATS * max(cells, 1)
    return np.asarray(np.log(_REPEATING if again else 1 - _REPEATING))


WIDE_WORD = 2.2
"""Wrong bits of a lane in a word, on the average, from which on the word is wrong, not a bit."""

_WIDE = by_state(
    {"array": 0.15, "astray": 0.92, "stuck": 0.02, "dead": 0.96}, grades=graded(0.06, 0.45)
)


def word_loglik(words: int, wrong_bits: float) -> Array | None:
    """(S,) log likelihood of how many bits are wrong in a wrong word: one where a cell or a line
    is at fault, about half where the strobe is, or where another word was found."""
    if not words:
        return None
    weight = 1.0 - np.exp(-words / 3)
    wide = wrong_bits / words > WIDE_WORD
    return np.asarray(weight * np.log(_WIDE if wide else 1 - _WIDE))


MANY_LINES: Array = np.log(
    by_state(
        {"array": 0.40, "astray": 0.90, "stuck": 0.02, "dead": 0.95}, grades=graded(0.35, 0.85)
    )
)
"""Log likelihood that at least half of a lane's data lines are wrong alike."""


STEADY: Array = np.log(
    by_state(
        {"array": 0.02, "stuck": 0.90, "joined": 0.80, "dead": 0.30}, grades=graded(0.02, 0.40)
    )
)
"""Log likelihood that one line holds most of its lane's errors at addresses all over the array:
a steady line over many rows and banks is the line, not its cells."""


# --- data lines of one lane -----------------------------------------------------------------
# Where only a (capped) list of error words is known, shares within the lane are all there is:
# none, under a tenth of the worst line's, more.
_NONE = by_state(
    {"array": 0.50, "astray": 0.06, "stuck": 0.02, "dead": 0.02}, grades=graded(0.96, 0.03)
)
_LITTLE = by_state(
    {"array": 0.20, "astray": 0.09, "stuck": 0.05, "dead": 0.03}, grades=graded(0.03, 0.15)
)


def share_loglik(wrong: float, most: float) -> Array:
    """(S,) log likelihood of a line's share of its lane's wrong bits: `wrong` of the worst's
    `most`."""
    table = _NONE if wrong == 0 else _LITTLE if wrong < most / 10 else 1 - _NONE - _LITTLE
    weight = 1.0 - np.exp(-most / 2)  # one wrong bit in all says little of the other seven
    return np.asarray(weight * np.log(table))


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
    joined = (1 - odd) * np.log(0.97) + odd * np.log(0.03)
    return float(n * (joined - np.log(0.5)))
