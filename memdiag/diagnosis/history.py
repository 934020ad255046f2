"""What a run declares of its repair, as factors on the priors of faults.

Why the defaults are what they are stands in docs/settings.md.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from msgspec import Struct

from memdiag.diagnosis.ranges import Factor, Ranged


class Stages(Ranged, frozen=True, forbid_unknown_fields=True):
    """Factors on the priors by what the run declares."""

    after_swap: Factor = 0.5  # any fault, once a repair was made
    final: Factor = 0.35
    replaced_package: Factor = 0.25  # missing and weak at a site with a new package
    replaced_joint: Factor = 1.6  # joints and bridges at such a site
    replaced_controller: Factor = 2.0  # controller: the package was changed and it still fails
    reflowed_joint: Factor = 0.5

    def of(self, stage: str | None) -> float:
        """The factor on every fault."""
        return {"after-swap": self.after_swap, "final": self.final}.get(stage or "", 1.0)


class Past(Struct, frozen=True):
    """What was done before this run: at the site in question, and at any."""

    replaced: bool
    reflowed: bool
    replaced_any: bool


Factors = Callable[[Stages, Past], Iterator[float]]
"""The factors that the past puts on a fault at a site."""


def of_package(stages: Stages, past: Past) -> Iterator[float]:
    """A fault of the package itself: a new one seldom has it."""
    if past.replaced:
        yield stages.replaced_package


def of_joint(stages: Stages, past: Past) -> Iterator[float]:
    """A fault of its balls: new ones are new chances, heat mends some."""
    if past.replaced:
        yield stages.replaced_joint
    if past.reflowed:
        yield stages.reflowed_joint


def of_controller(stages: Stages, past: Past) -> Iterator[float]:
    """A fault beyond the packages: one was changed, and the board is here again."""
    if past.replaced_any:
        yield stages.replaced_controller


def of_none(stages: Stages, past: Past) -> Iterator[float]:
    """A fault that no work on a package makes likelier or less likely."""
    yield from ()
