"""What errors look like -> how likely that is in each state: which way they went, whether the link
check saw them, whether they repeat, how many bits of a word they take, and on which data lines of a
lane they are.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from memdiag.evidence.error_counts import SOME
from memdiag.evidence.nodes import Array, by_state, graded
from memdiag.model import LANE_LINES
from memdiag.model.figures import Table

_F = Table("Signs of errors")
SURELY = _F.practice("surely", 0.94, "share of places that show what their state must show")
HARDLY = _F.practice("hardly", 0.03, "share of places that show what their state should not")

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


_ONE_WAY = _F.each(
    "one way,",
    {"sound": 0.12, "array": 0.25, "astray": 0.07, "joined": 0.44},
    "share of such places whose errors all go one way by chance, and as many the other",
)


def _along(undriven: Mapping[str, float]) -> Array:
    return by_state({**_ONE_WAY, **undriven}, grades=_ONE_WAY["sound"])


_WITH = _along(
    _F.each(
        "as pulled,",
        {"stuck": 0.60, "dead": 0.74, "absent": 0.85},
        "share of such places whose errors all go the way the termination pulls",
    )
)
_AGAINST = _along(_F.each("against,", {"stuck": 0.20, "dead": 0.06}, "all go the other way"))
_BOTH = 1 - _WITH - _AGAINST

_UNDRIVEN = by_state({"array": 0, "astray": 0, "stuck": 1, "joined": 0, "dead": 1}) > 0
UNKNOWN_PULL = _F.practice(
    "one way, unknown", 0.25, "the same of undriven ones, pulled who knows where"
)

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
_CELLS = _F.practice(
    "check bad, cells", 0.04, "share of error words of bad cells whose check failed"
)
_SOUND = _F.practice("check bad, sound", 0.5, "the same of a sound link's stray words")
_BAD = by_state(
    {"array": _CELLS, "astray": _CELLS, "stuck": SURELY, "dead": SURELY},
    grades=graded(_SOUND, SURELY),
)
_ANY_BAD = SOME * _BAD
"""That a check failed at all, where no words tell how often: there were errors, and it saw them."""


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
    return link_check_loglik(0, failed) if failed else np.asarray(np.log(1 - _ANY_BAD))


# --- repetition, bits of a word --------------------------------------------------------------

REPEATS = 4.0
_AGAIN = _F.each(
    "repeat,",
    {"sound": 0.03, "array": 0.60, "astray": 0.40, "stuck": 0.25, "dead": 0.30},
    "share of such places whose errors hit the same addresses at each pass",
)
_REPEATING = by_state(_AGAIN, grades=_AGAIN["sound"])


MANY_CELLS = 1e6
"""From so many on they may be all that a device has, which errors at random hit again too: fewer
accesses than this reach no memory of today through."""


def repeat_loglik(errors: int, cells: int, *, filled: bool = False) -> Array | None:
    """(S,) log likelihood of errors that hit the same addresses again (more than REPEATS times
    each) or not: a weak cell fails at every pass, a disturbed line somewhere else each time. None
    where that tells neither: `filled`, where those are most of what was tested."""
    again = errors > REPEATS * max(cells, 1)
    if again and (filled or cells >= MANY_CELLS):
        return None
    return np.asarray(np.log(_REPEATING if again else 1 - _REPEATING))


WIDE_WORD = _F.practice("wide word", 2.2, "wrong bits from which a word is wrong, not a bit of it")
"""Of a lane, on the average."""

_WIDE_THIN, _WIDE_CELLS = (
    _F.practice(f"wide words, {of}", share, "share of such lanes whose wrong words are wide")
    for of, share in (("no margin", 0.45), ("cells", 0.15))
)
_WIDE = by_state(
    {"array": _WIDE_CELLS, "astray": SURELY, "stuck": HARDLY, "dead": SURELY},
    grades=graded(2 * HARDLY, _WIDE_THIN),
)


def word_loglik(words: int, wrong_bits: float) -> Array | None:
    """(S,) log likelihood of how many bits are wrong in a wrong word: one where a cell or a line
    is at fault, about half where the strobe is, or where another word was found."""
    if not words:
        return None
    weight = 1.0 - np.exp(-words / 3)
    wide = wrong_bits / words > WIDE_WORD
    return np.asarray(weight * np.log(_WIDE if wide else 1 - _WIDE))


_ON_ONE_LINE = by_state(
    _F.each(
        "one line,",
        {"sound": 0.0, "array": 0.6, "astray": 0.0, "stuck": 0.95, "dead": 0.0},
        "share of such places with a few wrong cells, all of one data line, beyond chance",
    ),
    grades=graded(0.0, 0.5),
)


def one_line_loglik(cells: int, one: bool) -> Array:
    """(S,) log likelihood that so many different wrong cells, few, are all on one data line of
    eight, or are not: stray upsets fall on any of them (derived), a cell of a column or an open
    line does not."""
    chance = float(LANE_LINES) ** (1 - cells)
    all_on_one = _ON_ONE_LINE + (1 - _ON_ONE_LINE) * chance
    return np.asarray(np.log(all_on_one if one else 1 - all_on_one))


_MANY_SOUND, _MANY_CELLS = (
    _F.practice(f"many lines, {of}", share, "share of such lanes with half of their lines wrong")
    for of, share in (("sound", 0.35), ("cells", 0.60))
)
MANY_LINES: Array = np.log(
    by_state(
        {"array": _MANY_CELLS, "astray": SURELY, "stuck": HARDLY, "dead": SURELY},
        grades=graded(_MANY_SOUND, SURELY),
    )
)
"""Log likelihood that at least half of a lane's data lines are wrong alike."""

_STEADY_THIN = _F.practice(
    "steady, thin", 0.40, "share of thin lines, or lines of dead lanes, with their lane's errors"
)
STEADY: Array = np.log(
    by_state(
        {"array": HARDLY, "stuck": SURELY, "dead": _STEADY_THIN},
        grades=graded(HARDLY, _STEADY_THIN),
    )
)
"""Log likelihood that one line holds most of its lane's errors at addresses all over the array:
a steady line over many rows and banks is the line, not its cells."""


# --- data lines of one lane -----------------------------------------------------------------
# Where only a (capped) list of error words is known, shares within the lane are all there is:
# none, under a tenth of the worst line's, more.
_NONE_CELLS = _F.practice("no share, cells", 0.50, "bad cells that lie on other lines of the lane")
_LITTLE_CELLS = _F.practice(
    "little share", 0.20, "of cells, or thin lines, under a tenth of the worst"
)
_NONE = by_state(
    {"array": _NONE_CELLS, "astray": 2 * HARDLY, "stuck": HARDLY, "dead": HARDLY},
    grades=graded(SURELY, HARDLY),
)
_LITTLE = by_state(
    {"array": _LITTLE_CELLS, "astray": 2 * HARDLY, "stuck": HARDLY, "dead": HARDLY},
    grades=graded(HARDLY, _LITTLE_CELLS),
)


def share_loglik(wrong: float, most: float) -> Array:
    """(S,) log likelihood of a line's share of its lane's wrong bits: `wrong` of the worst's
    `most`."""
    table = _NONE if wrong == 0 else _LITTLE if wrong < most / 10 else 1 - _NONE - _LITTLE
    weight = 1.0 - np.exp(-most / 2)  # one wrong bit in all says little of the other seven
    return np.asarray(weight * np.log(table))


JOINED = _F.practice("as joined", 0.97, "wrong bits of shorted lines that are as shorted lines err")


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
    joined = (1 - odd) * np.log(JOINED) + odd * np.log(1 - JOINED)
    return float(n * (joined - np.log(0.5)))
