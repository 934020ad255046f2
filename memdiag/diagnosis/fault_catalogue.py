"""The fault catalogue: where each kind can sit, how likely it is, and what it predicts.

A kind says, for every kind of node and every relation between the fault and the node, with what
probability the node is in which state. Nothing else in memdiag knows what a fault looks like: a
new kind is one more entry of `KINDS` (and, where it predicts something no node holds yet, a new
kind of node in `memdiag.evidence`).

The figures are judgement, not measurement: a bench sees boards that already failed, and no field
study prints what a training step shows under a fault. They are wide on purpose; docs/priors.md
says where each comes from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from memdiag.diagnosis.rig_behaviour import Relation, Rig
from memdiag.model.verdict import Cause

Pmf = Mapping[str, float]
"""State -> probability; what is missing to 1 is the node's lowest state."""


@dataclass(frozen=True, slots=True)
class Variant:
    """One strength of a fault: its share of the kind's prior and its effects."""

    name: str
    share: float
    effects: Mapping[tuple[str, Relation], Pmf]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fault. `seat` says where it sits (see `diagnosis.locations`); `spill` 0..1 how
    much it disturbs neighbours; `stops` 0..1 how surely the rig's boot notices it."""

    name: str
    cause: Cause
    seat: str
    spill: float
    stops: float
    variants: tuple[Variant, ...]


SELF, LANE, SITE, RAIL = Relation.SELF, Relation.LANE, Relation.SITE, Relation.RAIL


def _lines(whole_lane: Pmf) -> dict[tuple[str, Relation], Pmf]:
    """The data lines of a lane follow the lane's state where the fault takes the whole lane."""
    to = {"absent": "dead", "mute": "dead", "line": "thin", "joined": "thin"}
    out: dict[str, float] = {}
    for state, p in whole_lane.items():
        name = to.get(state, state)
        out[name] = out.get(name, 0.0) + p
    return {("line", SELF): out, ("line", LANE): out}


def _whole(place: Pmf, **shape: float) -> dict[tuple[str, Relation], Pmf]:
    effects: dict[tuple[str, Relation], Pmf] = {("place", SELF): place, **_lines(place)}
    effects["shape", SELF] = shape or {"spread": 0.93}
    return effects


_GONE = {"absent": 0.955, "mute": 0.03, "dead": 0.005, "thin": 0.002}

_SHORT_PULLS: Mapping[tuple[str, Relation], Pmf] = {
    ("place", RAIL): {"disturbed": 0.38, "thin": 0.22, "absent": 0.14},
    ("rail", SELF): {"low": 0.64, "short": 0.10},
    ("heat", SELF): {"here": 0.92},
}

KINDS: tuple[Kind, ...] = (
    Kind("missing", Cause.MISSING, "site", 1.0, 1.0, (Variant("gone", 1.0, _whole(_GONE)),)),
    # Cells, words, rows, columns or banks wrong; the link is good. Which lanes show it depends on
    # where the cells lie in the word.
    Kind(
        "weak_array",
        Cause.WEAK,
        "site",
        0.06,
        0.05,
        (
            # A row, a bank: every line of the word.
            Variant(
                "rows",
                0.30,
                {
                    ("place", SELF): {"array": 0.90},
                    ("line", SELF): {"array": 0.90},
                    ("shape", SELF): {"clustered": 0.88, "spread": 0.11},
                },
            ),
            # A few words, or rows of one half.
            Variant(
                "words",
                0.25,
                {
                    ("place", SELF): {"array": 0.60},
                    ("line", SELF): {"array": 0.50},
                    ("shape", SELF): {"clustered": 0.80, "spread": 0.19},
                },
            ),
            # A cell, a column: one line, so one lane.
            Variant(
                "cells",
                0.45,
                {
                    ("place", SELF): {"array": 0.35},
                    ("line", SELF): {"array": 0.14},
                    ("shape", SELF): {"clustered": 0.92, "spread": 0.07},
                },
            ),
        ),
    ),
    # Drivers, receivers or its own supply pins: thin over its lanes, graded.
    Kind(
        "weak_pins",
        Cause.WEAK,
        "site",
        0.30,
        0.35,
        (
            Variant("broad", 0.34, _whole({"thin": 0.90, "dead": 0.02, "disturbed": 0.04})),
            # Errors under load, though the eyes that were printed look well.
            Variant("noisy", 0.10, _whole({"disturbed": 0.78, "thin": 0.16})),
            # Less of every eye, and still enough: no step and no test fails.
            Variant(
                "lean",
                0.10,
                {
                    **_whole({"disturbed": 0.25, "thin": 0.08}),
                    ("whole", SELF): {"thin": 0.88, "disturbed": 0.09},
                },
            ),
            Variant("partial", 0.24, _whole({"thin": 0.52, "dead": 0.02, "disturbed": 0.12})),
            Variant(
                "severe",
                0.22,
                {
                    **_whole({"thin": 0.50, "dead": 0.45}),
                    ("line", SELF): {"thin": 0.52, "open": 0.08, "dead": 0.34},
                },
            ),
        ),
    ),
    # A short inside the package: it lies across its rails, and whoever shares them sags. With the
    # supply pulled down it mostly does not answer at all.
    Kind(
        "shorted_gone",
        Cause.MISSING,
        "shorted",
        0.9,
        1.0,
        (
            Variant(
                "low", 1.0, {**_whole({"absent": 0.93, "mute": 0.04, "dead": 0.02}), **_SHORT_PULLS}
            ),
        ),
    ),
    Kind(
        "shorted_alive",
        Cause.WEAK,
        "shorted",
        0.7,
        0.6,
        (
            Variant(
                "low",
                1.0,
                {**_whole({"thin": 0.55, "dead": 0.15, "disturbed": 0.10}), **_SHORT_PULLS},
            ),
        ),
    ),
    # One open command/address ball: this channel of the package hears nothing, the other does.
    Kind(
        "joint_ca",
        Cause.JOINT,
        "port",
        0.90,
        0.9,
        (
            Variant(
                "open",
                0.70,
                {
                    **_whole({"mute": 0.93, "dead": 0.03, "absent": 0.02}),
                    ("place", SITE): {"disturbed": 0.30, "thin": 0.04, "mute": 0.01},
                },
            ),
            # What hears no command answers none: many rigs print both alike, everywhere.
            Variant(
                "unheard",
                0.15,
                {
                    **_whole({"absent": 0.88, "mute": 0.08, "dead": 0.02}),
                    ("place", SITE): {"disturbed": 0.30, "thin": 0.04},
                },
            ),
            Variant(
                "ragged",
                0.15,
                {
                    **_whole({"thin": 0.55, "mute": 0.20, "disturbed": 0.15}),
                    ("place", SITE): {"disturbed": 0.20},
                },
            ),
        ),
    ),
    # An open strobe, clock or link-check ball: one lane, the package's others fine.
    Kind(
        "joint_lane",
        Cause.JOINT,
        "lane",
        0.30,
        0.8,
        (
            Variant(
                "open",
                0.75,
                {
                    **_whole({"dead": 0.95, "thin": 0.04}),
                    ("place", SITE): {"disturbed": 0.16, "thin": 0.01},
                },
            ),
            Variant(
                "ragged",
                0.25,
                {**_whole({"thin": 0.90, "dead": 0.04}), ("place", SITE): {"disturbed": 0.10}},
            ),
        ),
    ),
    # An open data ball: one line of eight.
    Kind(
        "joint_line",
        Cause.JOINT,
        "line",
        0.15,
        0.5,
        (
            Variant(
                "open",
                0.75,
                {
                    ("place", SELF): {"line": 0.93, "thin": 0.04, "dead": 0.01},
                    ("line", SELF): {"open": 0.95, "thin": 0.04},
                    ("line", LANE): {"disturbed": 0.03},
                    ("place", SITE): {"disturbed": 0.07},
                    ("shape", SELF): {"spread": 0.93},
                },
            ),
            Variant(
                "ragged",
                0.25,
                {
                    ("place", SELF): {"thin": 0.55, "line": 0.30, "disturbed": 0.10},
                    ("line", SELF): {"thin": 0.75, "open": 0.20},
                    ("line", LANE): {"disturbed": 0.03},
                    ("shape", SELF): {"spread": 0.93},
                },
            ),
        ),
    ),
    # An open address line: right data at wrong places, the link good; addresses in pairs.
    Kind(
        "joint_address",
        Cause.JOINT,
        "port",
        0.05,
        0.1,
        (
            Variant(
                "open",
                1.0,
                {
                    ("place", SELF): {"astray": 0.86, "array": 0.05, "thin": 0.02, "mute": 0.004},
                    ("line", SELF): {"astray": 0.86, "array": 0.05},
                    ("shape", SELF): {"paired": 0.90, "spread": 0.06},
                },
            ),
        ),
    ),
    # Two data lines shorted: wrong only where they should differ.
    Kind(
        "bridge",
        Cause.BRIDGE,
        "pair",
        0.15,
        0.5,
        (
            Variant(
                "hard",
                1.0,
                {
                    ("place", SELF): {"joined": 0.93, "thin": 0.04},
                    ("line", SELF): {"joined": 0.95, "thin": 0.03},
                    ("line", LANE): {"disturbed": 0.03},
                    ("place", SITE): {"disturbed": 0.07},
                    ("shape", SELF): {"spread": 0.93},
                },
            ),
        ),
    ),
    # A rail: graded over everything that hangs on it.
    Kind(
        "supply",
        Cause.SUPPLY,
        "rail",
        0.5,
        0.6,
        (
            Variant(
                "faint",
                0.05,
                {**_whole({"disturbed": 0.22, "thin": 0.04}), ("rail", SELF): {"low": 0.03}},
            ),
            Variant(
                "rippling",
                0.13,
                {**_whole({"disturbed": 0.45, "thin": 0.08}), ("rail", SELF): {"low": 0.03}},
            ),
            Variant(
                "lean",
                0.08,
                {
                    **_whole({"disturbed": 0.25, "thin": 0.08}),
                    ("rail", SELF): {"low": 0.04},
                    ("whole", SELF): {"thin": 0.80, "disturbed": 0.17},
                },
            ),
            Variant(
                "shaking",
                0.12,
                {**_whole({"disturbed": 0.76, "thin": 0.10}), ("rail", SELF): {"low": 0.04}},
            ),
            Variant(
                "sagging",
                0.14,
                {**_whole({"disturbed": 0.38, "thin": 0.40}), ("rail", SELF): {"low": 0.05}},
            ),
            Variant(
                "low",
                0.18,
                {
                    **_whole({"thin": 0.66, "disturbed": 0.12, "dead": 0.08, "absent": 0.07}),
                    ("rail", SELF): {"low": 0.14, "short": 0.03},
                },
            ),
            Variant(
                "gone",
                0.30,
                {
                    **_whole({"absent": 0.92, "mute": 0.05, "dead": 0.02}),
                    ("rail", SELF): {"short": 0.60, "low": 0.12},
                    ("heat", SELF): {"here": 0.4},
                },
            ),
        ),
    ),
    # The same where only some of its packages tell: the voltage falls along the copper, and those
    # far from where it is fed suffer first. Never so far that one is silent and the next is well.
    Kind(
        "supply_far",
        Cause.SUPPLY,
        "rail_far",
        0.5,
        0.6,
        (
            Variant("shaking", 0.25, _whole({"disturbed": 0.76, "thin": 0.16})),
            Variant(
                "sagging",
                0.40,
                {**_whole({"disturbed": 0.28, "thin": 0.60}), ("rail", SELF): {"low": 0.05}},
            ),
            Variant(
                "low",
                0.35,
                {
                    **_whole({"thin": 0.62, "dead": 0.28, "disturbed": 0.06}),
                    ("rail", SELF): {"low": 0.14, "short": 0.03},
                },
            ),
        ),
    ),
    # The PHY block or a channel of the controller: fails whatever sits on it.
    Kind(
        "controller",
        Cause.CONTROLLER,
        "phy",
        0.40,
        0.7,
        (
            Variant("thin", 0.35, _whole({"thin": 0.80, "disturbed": 0.08, "dead": 0.04})),
            Variant("dead", 0.40, _whole({"dead": 0.72, "mute": 0.22, "thin": 0.04})),
            Variant("silent", 0.13, _whole({"mute": 0.84, "absent": 0.08, "dead": 0.06})),
            Variant("unheard", 0.12, _whole({"absent": 0.84, "mute": 0.10, "dead": 0.04})),
        ),
    ),
    # The controller's own way to memory: the same bit wrong at an almost constant stride.
    Kind(
        "controller_line",
        Cause.CONTROLLER,
        "stripe",
        0.05,
        0.05,
        (
            Variant(
                "stride",
                1.0,
                {
                    ("place", SELF): {"array": 0.62, "disturbed": 0.15, "line": 0.12},
                    ("line", SELF): {"array": 0.50, "open": 0.25, "thin": 0.20},
                    ("shape", SELF): {"striped": 0.93},
                },
            ),
        ),
    ),
    # None of these: anything anywhere. It takes the mass when nothing fits.
    Kind(
        "other",
        Cause.UNDECIDED,
        "board",
        0.3,
        0.3,
        (
            Variant(
                "any",
                1.0,
                {
                    ("place", SELF): {
                        "disturbed": 0.12,
                        "array": 0.07,
                        "thin": 0.12,
                        "line": 0.04,
                        "joined": 0.02,
                        "dead": 0.06,
                        "mute": 0.04,
                        "absent": 0.03,
                    },
                    ("line", SELF): {
                        "disturbed": 0.10,
                        "array": 0.10,
                        "thin": 0.12,
                        "open": 0.05,
                        "joined": 0.02,
                        "dead": 0.05,
                    },
                    ("shape", SELF): {
                        "spread": 0.3,
                        "paired": 0.1,
                        "striped": 0.1,
                        "clustered": 0.2,
                    },
                    ("rail", SELF): {"low": 0.1, "short": 0.05},
                    ("boot", SELF): {"cut": 0.3},
                },
            ),
        ),
    ),
)

BY_NAME: Mapping[str, Kind] = {kind.name: kind for kind in KINDS}

LEAK: Mapping[str, Pmf] = {
    # With no fault at all: a stray marginal, a soft error. Not a dead lane, nor a rate of errors.
    "place": {
        "stray": 0.02,
        "disturbed": 2e-5,
        "array": 2e-6,
        "thin": 2e-6,
        "line": 1e-8,
        "joined": 1e-8,
        "dead": 1e-8,
        "mute": 1e-8,
        "absent": 1e-8,
    },
    "whole": {"stray": 0.01, "disturbed": 2e-4, "thin": 1e-5},
    "line": {
        "stray": 0.02,
        "disturbed": 1e-4,
        "array": 5e-5,
        "thin": 1e-5,
        "open": 2e-6,
        "joined": 2e-6,
        "dead": 2e-6,
    },
    "shape": {"spread": 0.02, "paired": 2e-4, "striped": 2e-4, "clustered": 0.01},
    "rail": {"low": 1e-3, "short": 3e-4},
    "heat": {"here": 0.01},
    "boot": {"cut": 0.004},
}


CUT_SELF = 0.55
"""The rest of a failing channel's own steps are not run in about half of all rigs."""


def effect(kind: Kind, variant: Variant, rig: Rig, node: str, near: Relation) -> Pmf:
    """The state distribution that a fault gives a node of that kind and relation on that rig."""
    if (node, near) in variant.effects:
        return variant.effects[node, near]
    if node == "boot":
        if near in (Relation.SELF, Relation.SITE, Relation.LANE):
            return {"cut": CUT_SELF * kind.stops}
        return {"cut": rig.cuts.get(near, 0.0) * kind.stops}
    if node == "whole":
        return effect(kind, variant, rig, "place", near)
    if node in ("place", "line", "shape"):
        # Its own package is at least as near as a clamshell partner.
        at = Relation.CLAMSHELL if near in (Relation.SITE, Relation.LANE) else near
        p = rig.disturbs.get(at, 0.0) * kind.spill
        if node == "shape":
            return {"spread": 0.5 * p}
        if node == "line":
            return {"disturbed": 0.5 * p}
        return {"disturbed": 0.8 * p, "stray": 0.2 * p}
    return {}


def leak(rig: Rig, node: str) -> Pmf:
    """The state distribution of a node with no fault at all."""
    if node == "boot":
        return {"cut": max(rig.skipped, LEAK["boot"]["cut"])}
    return LEAK[node]
