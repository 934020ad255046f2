"""The shop's own priors, limits and costs: shipped defaults, and a TOML that changes some.

Why the defaults are what they are stands in docs/settings.md.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import msgspec
from msgspec import Meta, Struct, field

from memdiag.diagnosis import faults
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior
from memdiag.diagnosis.history import Positive, Stages
from memdiag.model.problems import Problem, problem
from memdiag.model.spelling import closest
from memdiag.model.vocabulary import UnknownTarget, Vocabulary, shipped

Share = Annotated[float, Meta(ge=0.0, le=1.0)]


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


class Worth(Struct, frozen=True, forbid_unknown_fields=True):
    """What a repair is held against, in the unit of the costs."""

    board: Positive = 480.0  # what the board is worth when it works: a day of bench time


class Limits(Struct, frozen=True, forbid_unknown_fields=True):
    """Figures the shop holds its boards to."""

    thin_ui: Positive | None = None  # eye widths below this are thin whatever the peers do
    target_rate: Positive = 1e-12  # errors per bit a repaired board must stay below
    confidence: Share = 0.95
    undecided_below: Share = 0.5  # a finding whose best cause is less probable is undecided
    report_above: Share = 0.4  # a place less probably at fault than this is no finding
    release_below: Share = 0.25  # with a fault more probable than this no board is released


class Words(Struct, frozen=True, forbid_unknown_fields=True):
    """Words that this shop's technicians use, and the words of a dump they stand for."""

    result: Mapping[str, str] = field(default_factory=dict)
    step: Mapping[str, str] = field(default_factory=dict)
    trend: Mapping[str, str] = field(default_factory=dict)
    link: Mapping[str, str] = field(default_factory=dict)
    column: Mapping[str, str] = field(default_factory=dict)

    def vocabulary(self) -> Vocabulary:
        """The shipped words and these. Raises vocabulary.UnknownTarget."""
        more = {name: getattr(self, name) for name in self.__struct_fields__}
        return shipped().extended(more) if any(more.values()) else shipped()


class Comparing(Struct, frozen=True, forbid_unknown_fields=True):
    """What may differ between two runs of one repair."""

    harmless: tuple[str, ...] = ()  # head keys and names of readings, beside those known to be


class Settings(Struct, frozen=True, forbid_unknown_fields=True):
    """Everything a shop may set; each table and key may be left out."""

    priors: Mapping[str, Positive] = field(default_factory=dict)
    """By their names, those that the shop sets; the mechanisms hold the others."""
    stages: Stages = field(default_factory=Stages)
    costs: Costs = field(default_factory=Costs)
    worth: Worth = field(default_factory=Worth)
    limits: Limits = field(default_factory=Limits)
    words: Words = field(default_factory=Words)
    compare: Comparing = field(default_factory=Comparing)

    def prior(self, of: Prior) -> float:
        return self.priors.get(of.name, of.expected)


class BadSettings(ValueError):
    """A shop file that cannot be used; `problem` says why."""

    def __init__(self, found: Problem) -> None:
        super().__init__(found.message)
        self.problem = found


def read(path: str | Path, mechanisms: Sequence[Mechanism] = faults.MECHANISMS) -> Settings:
    """Read a shop TOML. Raises BadSettings with a Problem that names the file and the key."""
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as wrong:
        reason = getattr(wrong, "strerror", None) or "it is no UTF-8 text"
        reason = str(reason)[:1].lower() + str(reason)[1:]
        raise BadSettings(problem("shop-unreadable", file=path, reason=reason)) from None
    return parse(text, str(path), mechanisms)


def parse(
    text: str, name: str = "shop", mechanisms: Sequence[Mechanism] = faults.MECHANISMS
) -> Settings:
    """The same from text. The keys of `[priors]` are the priors of the mechanisms."""
    try:
        raw: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as wrong:
        reason = f"it is no TOML: {wrong}"
        raise BadSettings(problem("shop-unreadable", file=name, reason=reason)) from None
    priors = list(faults.priors(mechanisms))
    try:
        msgspec.convert(raw, _with_priors(priors))
        made = msgspec.convert(raw, Settings)
        made.words.vocabulary()  # a word that stands for none is refused at the door
        return made
    except (msgspec.ValidationError, UnknownTarget) as wrong:
        reason = _in_words(str(wrong), priors)
        raise BadSettings(problem("shop-key", file=name, reason=reason)) from None


def _with_priors(names: Sequence[str]) -> type[Struct]:
    """The settings with these keys, and no other, in their table of priors."""
    keys = [(name, Positive, 0.0) for name in names]
    table = msgspec.defstruct("Priors", keys, forbid_unknown_fields=True)
    return msgspec.defstruct("File", [("priors", table, None)], bases=(Settings,))


def _in_words(message: str, priors: Sequence[str]) -> str:
    """msgspec's message, with the nearest known key where one is unknown."""
    import re

    hit = re.search(r"unknown field `([^`]+)`", message)
    if hit is None:
        return message.replace("$.", "").replace("`", "")
    known = [*Settings.__struct_fields__, *priors]
    for part in (Stages, Costs, Worth, Limits, Words, Comparing):
        known += part.__struct_fields__
    near = closest(hit.group(1), known)
    return f"there is no key {hit.group(1)}" + (f"; the nearest is {near}" if near else "")
