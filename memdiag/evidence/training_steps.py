"""Training results -> how likely they are in each state of the place they were seen at.

The tables say what a rig prints for a step when the place is in a state. They are derived from
what the step does, in words beside each; the figures are judgement (no field study prints them)
and are wide on purpose. A result of the last attempt counts; earlier ones only as retries.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache

from memdiag.evidence.nodes import PLACE
from memdiag.model import ENDED, FAILED, Result

# Probabilities in the order of ENDED, one row a state of PLACE.
_ID = {
    # Identification reads a register: little data, slow, wide margins. Only silence of the
    # package or its command lines stops it; a disturbance does not.
    "sound": (0.9905, 0.0075, 0.0012, 0.0003, 0.0005),
    "disturbed": (0.90, 0.085, 0.012, 0.001, 0.002),
    "array": (0.9905, 0.0075, 0.0012, 0.0003, 0.0005),
    "thin": (0.87, 0.07, 0.045, 0.005, 0.01),
    "line": (0.84, 0.04, 0.09, 0.01, 0.02),
    "dead": (0.62, 0.05, 0.18, 0.04, 0.11),
    "mute": (0.30, 0.02, 0.20, 0.06, 0.42),
    "absent": (0.004, 0.004, 0.03, 0.012, 0.95),
}
_CA = {
    # Command/address training is heard back on data lines.
    "sound": (0.985, 0.013, 0.0013, 0.0004, 0.0003),
    "disturbed": (0.74, 0.22, 0.028, 0.006, 0.006),
    "array": (0.985, 0.013, 0.0013, 0.0004, 0.0003),
    "thin": (0.62, 0.26, 0.09, 0.015, 0.015),
    "line": (0.84, 0.05, 0.08, 0.015, 0.015),
    "dead": (0.68, 0.06, 0.16, 0.04, 0.06),
    "mute": (0.025, 0.025, 0.52, 0.18, 0.25),
    "absent": (0.01, 0.01, 0.15, 0.06, 0.77),
}
_DATA = {
    # Read, write: every data line of the lane has to work.
    "sound": (0.979, 0.019, 0.0014, 0.0004, 0.0002),
    "disturbed": (0.60, 0.34, 0.042, 0.013, 0.005),
    "array": (0.962, 0.024, 0.012, 0.0015, 0.0005),
    "thin": (0.33, 0.37, 0.22, 0.065, 0.015),
    "line": (0.24, 0.11, 0.46, 0.165, 0.025),
    "dead": (0.05, 0.03, 0.38, 0.38, 0.16),
    "mute": (0.02, 0.02, 0.32, 0.22, 0.42),
    "absent": (0.008, 0.007, 0.14, 0.10, 0.745),
}
_CLOCK = {
    # Levelling, WCK2CK, gate: the strobe or clock and a majority of lines.
    "sound": (0.979, 0.019, 0.0014, 0.0004, 0.0002),
    "disturbed": (0.73, 0.23, 0.027, 0.008, 0.005),
    "array": (0.979, 0.019, 0.0014, 0.0004, 0.0002),
    "thin": (0.52, 0.30, 0.13, 0.04, 0.01),
    "line": (0.80, 0.08, 0.08, 0.025, 0.015),
    "dead": (0.20, 0.05, 0.34, 0.28, 0.13),
    "mute": (0.05, 0.03, 0.32, 0.20, 0.40),
    "absent": (0.008, 0.007, 0.14, 0.10, 0.745),
}
_VREF = {
    # The reference search stops nowhere only if no line works.
    "sound": (0.975, 0.023, 0.0014, 0.0004, 0.0002),
    "disturbed": (0.70, 0.26, 0.027, 0.008, 0.005),
    "array": (0.972, 0.025, 0.0022, 0.0005, 0.0003),
    "thin": (0.42, 0.36, 0.16, 0.05, 0.01),
    "line": (0.55, 0.12, 0.24, 0.07, 0.02),
    "dead": (0.18, 0.05, 0.35, 0.28, 0.14),
    "mute": (0.05, 0.03, 0.32, 0.20, 0.40),
    "absent": (0.01, 0.01, 0.14, 0.10, 0.74),
}
_ZQ = {
    # Impedance calibration is the package's own affair, against its own resistor.
    "sound": (0.988, 0.010, 0.0014, 0.0004, 0.0002),
    "disturbed": (0.88, 0.10, 0.015, 0.003, 0.002),
    "array": (0.988, 0.010, 0.0014, 0.0004, 0.0002),
    "thin": (0.80, 0.11, 0.07, 0.015, 0.005),
    "line": (0.96, 0.02, 0.015, 0.003, 0.002),
    "dead": (0.86, 0.05, 0.06, 0.01, 0.02),
    "mute": (0.20, 0.04, 0.38, 0.10, 0.28),
    "absent": (0.02, 0.01, 0.18, 0.08, 0.71),
}
for _table in (_ID, _CA, _DATA, _CLOCK, _VREF, _ZQ):
    _table["joined"] = _table["line"]  # what a step says, it says of either
    _table["stray"] = _table["disturbed"]
    _table["astray"] = _table["array"]  # one pattern at one address trains as well
_TABLES: Mapping[str, Mapping[str, tuple[float, ...]]] = {
    "id": _ID,
    "ca": _CA,
    "level": _CLOCK,
    "wck": _CLOCK,
    "gate": _CLOCK,
    "read": _DATA,
    "write": _DATA,
    "vref": _VREF,
    "zq": _ZQ,
}


@cache
def outcome_loglik(step: str, result: Result | None) -> dict[str, float] | None:
    """Log likelihood, in each state of a place, that a step passed, was marginal or gave up;
    None for a step or result that says nothing (`not-run` is about the boot, unknown steps are
    only counted). Which word a rig has for giving up is in `word_loglik`."""
    table = _TABLES.get(step)
    if table is None or result not in ENDED:
        return None
    if result in FAILED:
        return {state: math.log(sum(table[state][2:])) for state in PLACE}
    at = ENDED.index(result)
    return {state: math.log(table[state][at]) for state in PLACE}


@cache
def word_loglik(step: str, result: Result | None) -> dict[str, float] | None:
    """Log likelihood of the word for giving up, given that the step did. A rig is in the habit
    of one word, so of many steps at one place this counts once."""
    table = _TABLES.get(step)
    if table is None or result not in FAILED:
        return None
    at = ENDED.index(result)
    return {state: math.log(table[state][at] / sum(table[state][2:])) for state in PLACE}
