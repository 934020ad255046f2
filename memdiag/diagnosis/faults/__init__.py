"""The catalogue of faults: one module a mechanism, and the order in which they are weighed.

A new mechanism is one more module with its `MECHANISMS`, and one more name here. From outside the
package, pass `(*faults.MECHANISMS, mine)` to `judge`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from memdiag.diagnosis.faults import (
    bridge,
    controller,
    joint_address,
    joint_ca,
    joint_lane,
    joint_line,
    missing,
    other,
    shorted,
    supply,
    weak_array,
    weak_pins,
)
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior

MECHANISMS: tuple[Mechanism, ...] = (
    *missing.MECHANISMS,
    *weak_array.MECHANISMS,
    *weak_pins.MECHANISMS,
    *shorted.MECHANISMS,
    *joint_ca.MECHANISMS,
    *joint_lane.MECHANISMS,
    *joint_line.MECHANISMS,
    *joint_address.MECHANISMS,
    *bridge.MECHANISMS,
    *supply.MECHANISMS,
    *controller.MECHANISMS,
    *other.MECHANISMS,
)


def priors(mechanisms: Sequence[Mechanism] = MECHANISMS) -> Mapping[str, Prior]:
    """The priors of these mechanisms by their names, each once, in order."""
    return {m.prior.name: m.prior for m in mechanisms}
