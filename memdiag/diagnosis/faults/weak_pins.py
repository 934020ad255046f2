"""Drivers, receivers or its own supply pins: a package thin over its lanes, graded."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec.structs import replace

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Variant
from memdiag.model import Cause
from memdiag.model.figures import Table

_F = Table("Weak at the pins")
TOTAL = _F.practice("total", 0.05, "share of such packages that answer, and move no data at all")
SEVERITIES = effects.degrees(
    _F.practice("log margin", -0.7, "the middle of what the others lose"), 5, 1 - TOTAL
)
SCATTER = _F.practice("scatter", 0.08, "log; how unlike the lanes of a weak package are at least")
UNLIKE = _F.practice("unlike", 0.35, "share of the loss by which they differ beyond that")
BROAD = _F.practice("broad", 0.72, "share of such packages in which all lanes suffer")
REACH = _F.practice("reach", 0.5, "share of the lanes that suffer in the others")


def _variants() -> Iterator[Variant]:
    for one in effects.severities(SEVERITIES, SCATTER, unlike=UNLIKE):
        yield replace(one, share=one.share * BROAD)
    for one in effects.severities(SEVERITIES, SCATTER, REACH, unlike=UNLIKE):
        yield replace(one, share=one.share * (1 - BROAD))
    yield Variant("total", TOTAL, effects.whole({"dead": effects.SHOWS}))


MECHANISMS = (
    Mechanism(
        "weak_pins",
        Cause.WEAK,
        Prior(
            "weak_pins",
            0.18,
            "a package with little margin at its pins",
            "Judgement: as common on a bench as bad cells; field studies do not tell it apart.",
        ),
        locations.sites,
        spill=0.30,
        variants=tuple(_variants()),
        why="a package with little margin at its own pins",
        history=history.of_package,
    ),
)
