"""The shop's own priors, limits and costs: shipped defaults, and a TOML that changes some.

Why the defaults are what they are stands in docs/priors.md.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Annotated, Any

import msgspec
from msgspec import Meta, Struct, field

from memdiag.model.problems import Problem, problem

Share = Annotated[float, Meta(ge=0.0, le=1.0)]
Positive = Annotated[float, Meta(ge=0.0)]


class Priors(Struct, frozen=True, forbid_unknown_fields=True):
    """Expected number of faults of each kind on a board that reaches the bench, before any dump
    is read. They are spread evenly over the places where the kind can be."""

    missing: Positive = 0.16
    weak_array: Positive = 0.18
    weak_pins: Positive = 0.18
    shorted: Positive = 0.06
    joint_ca: Positive = 0.07
    joint_lane: Positive = 0.07
    joint_line: Positive = 0.09
    joint_address: Positive = 0.02
    bridge: Positive = 0.05
    supply: Positive = 0.12
    controller: Positive = 0.07
    other: Positive = 0.015


class Stages(Struct, frozen=True, forbid_unknown_fields=True):
    """Factors on the priors by what the run declares."""

    after_swap: Positive = 0.5  # any fault, once a repair was made
    final: Positive = 0.35
    replaced_package: Positive = 0.25  # missing and weak at a site with a new package
    replaced_joint: Positive = 1.6  # joints and bridges at such a site
    replaced_controller: Positive = 2.0  # controller: the package was changed and it still fails
    reflowed_joint: Positive = 0.5


class Costs(Struct, frozen=True, forbid_unknown_fields=True):
    """Costs in one unit of the shop's choice (the defaults: minutes of bench time)."""

    replace: Positive = 60.0  # a package, a heat cycle, the risk to neighbours
    replace_good: Positive = 90.0  # on top, where the package taken off was good
    reflow: Positive = 22.0  # a heat cycle with the package left on
    fit: Positive = 40.0
    retest: Positive = 9.0
    check_supply: Positive = 8.0
    stop: Positive = 30.0  # giving the memory up and turning to the controller
    stop_wrong: Positive = 150.0  # on top, where the memory was at fault
    returned: Positive = 120.0  # a board that leaves or goes on with its fault
    measure: Positive = 9.0  # a probe or camera reading


class Limits(Struct, frozen=True, forbid_unknown_fields=True):
    """Figures the shop holds its boards to."""

    thin_ui: Positive | None = None  # eye widths below this are thin whatever the peers do
    target_rate: Positive = 1e-12  # errors per bit a repaired board must stay below
    confidence: Share = 0.95
    undecided_below: Share = 0.5  # a finding whose best cause is less probable is undecided
    report_above: Share = 0.4  # a place less probably at fault than this is no finding


class Shop(Struct, frozen=True, forbid_unknown_fields=True):
    """Everything a shop may set; each table and key may be left out."""

    priors: Priors = field(default_factory=Priors)
    stages: Stages = field(default_factory=Stages)
    costs: Costs = field(default_factory=Costs)
    limits: Limits = field(default_factory=Limits)


class BadShop(ValueError):
    """A shop file that cannot be used; `problem` says why."""

    def __init__(self, found: Problem) -> None:
        super().__init__(found.message)
        self.problem = found


@cache
def default() -> Shop:
    return Shop()


def read(path: str | Path) -> Shop:
    """Read a shop TOML. Raises BadShop with a Problem that names the file and the key."""
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as wrong:
        reason = getattr(wrong, "strerror", None) or "it is no UTF-8 text"
        reason = str(reason)[:1].lower() + str(reason)[1:]
        raise BadShop(problem("shop-unreadable", file=path, reason=reason)) from None
    return parse(text, str(path))


def parse(text: str, name: str = "shop") -> Shop:
    """The same from text."""
    try:
        raw: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as wrong:
        reason = f"it is no TOML: {wrong}"
        raise BadShop(problem("shop-unreadable", file=name, reason=reason)) from None
    try:
        return msgspec.convert(raw, Shop)
    except msgspec.ValidationError as wrong:
        raise BadShop(problem("shop-key", file=name, reason=_in_words(str(wrong), raw))) from None


def _in_words(message: str, raw: dict[str, Any]) -> str:
    """msgspec's message, with the nearest known key where one is unknown."""
    import difflib
    import re

    hit = re.search(r"unknown field `([^`]+)`", message)
    if hit is None:
        return message.replace("$.", "").replace("`", "")
    known = [*Shop.__struct_fields__]
    for part in (Priors, Stages, Costs, Limits):
        known += part.__struct_fields__
    near = difflib.get_close_matches(hit.group(1), known, 1)
    return f"there is no key {hit.group(1)}" + (f"; the nearest is {near[0]}" if near else "")
