"""What a fault mechanism says of itself. Nothing else in memdiag knows what a fault looks like.

A mechanism says with what probability it puts the nodes that it strikes in which state: by how much
margin it takes (`effects.severities`) or by a mode that is no margin.

Most figures are of the trade, not measured: a bench sees boards that already failed, and no field
study prints what a training step shows under a fault. They are wide on purpose; docs/figures.md
lists every one with its origin.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from enum import Enum, auto
from functools import cached_property
from typing import NamedTuple

from msgspec import Struct

from memdiag.diagnosis.history import Factors, Past, Stages, of_none
from memdiag.diagnosis.rig_behaviour import Pmf, Relation
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import LINK
from memdiag.evidence.training_steps import data_fails
from memdiag.model import Board, Cause, Place

Effects = Mapping[tuple[str, Relation], Pmf]
"""(kind of node, how it stands to the fault) -> the states the fault puts it in: SELF for its own
place, LANE for the other lines of its lane, RAIL for what hangs on the same rails. What is not
named is only disturbed, as loudly as the rig lets the fault be heard."""


class Variant(Struct, frozen=True):
    """One strength of a fault: its share of the mechanism's prior (shares sum to 1) and effects."""

    name: str
    share: float
    effects: Effects

    @property
    def stops(self) -> float:
        """How surely the boot notices it: the chance that a data step fails where it is worst."""
        fails = dict(zip(LINK, data_fails().tolist(), strict=True))
        worst = (
            sum(p * fails[state] for state, p in pmf.items())
            for (kind, near), pmf in self.effects.items()
            if kind == "place" and near is not Relation.RAIL
        )
        return max(worst, default=0.0)


class Prior(Struct, frozen=True):
    """How many such faults are to be expected on a board that reaches the bench, before any dump
    is read; spread evenly over the places where they can be. A shop sets it by its name."""

    name: str
    expected: float
    says: str
    source: str


class Location(NamedTuple):
    """A place where the fault can sit, and the sites it acts on directly there; the place's share
    of the prior, and a log likelihood that the evidence itself adds to it. `along`: those sites in
    the order in which the fault grows, where it does."""

    place: Place
    sites: frozenset[str]
    share: float
    bonus: float = 0.0
    along: tuple[str, ...] = ()


class Rails(Enum):
    """Which rails' readings, and whose warmth, a fault acts on."""

    NONE = auto()
    ITS_OWN = auto()  # of the rail it sits on
    OF_ITS_SITES = auto()


class Mechanism(Struct, frozen=True, eq=False, dict=True):
    """One way to fail. `spill` 0..1: how much it disturbs neighbours. `why`: what such a fault is,
    in words that follow "that is"; none where the finding is always undecided."""

    name: str
    cause: Cause
    prior: Prior
    locations: Callable[[Board, Evidence], Iterator[Location]]
    spill: float
    variants: tuple[Variant, ...]
    why: str = ""
    why_wide: str = ""
    """The same where no data line is named, for one that sits on lines."""
    share: float = 1.0
    """Its part of the prior, where several mechanisms have one prior in common."""
    history: Factors = of_none
    rails: Rails = Rails.NONE
    beyond_site: bool = False
    """It lies beyond the packages: the rest of a site it touches is no nearer to it than any
    neighbour is, unless it touches that site alone."""
    of_many: bool = False
    """It is one fault of all the sites it acts on: a finding names them and speaks for them."""
    absence: bool = False
    """Nothing is there: what a site declared removed is given as, and what may disturb others
    though no row names its own site."""
    unknown: bool = False
    """None of the others: never ruled out, and it explains only what nothing else does."""

    @cached_property
    def stops(self) -> tuple[float, ...]:
        """Of each variant, how surely the boot notices it."""
        return tuple(variant.stops for variant in self.variants)

    def odds(self, prior: float, stages: Stages, stage: str | None, past: Past) -> float:
        """Expected number of such faults in all places, where the run declares that past."""
        p = prior * stages.of(stage) * self.share
        for factor in self.history(stages, past):
            p *= factor
        return p
