"""The shop's own priors, limits and costs: shipped defaults, and a TOML that changes some.

Why the defaults are what they are stands in docs/settings.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Struct, field

from memdiag.diagnosis import faults
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior
from memdiag.diagnosis.history import Stages
from memdiag.diagnosis.ranges import EXPECTED, Cost, Range, Ranged, Share
from memdiag.model import toml_text
from memdiag.model.problems import Position, Problem, problem
from memdiag.model.spelling import closest
from memdiag.model.vocabulary import UnknownTarget, Vocabulary, shipped

LARGEST = 1 << 20
"""Bytes of a shop file at most: what is larger is none."""


class Costs(Ranged, frozen=True, forbid_unknown_fields=True):
    """Costs in one unit of the shop's choice (the defaults: minutes of bench time)."""

    replace: Cost = 60.0  # a package, a heat cycle, the risk to neighbours
    replace_good: Cost = 90.0  # on top, where the package taken off was good
    reflow: Cost = 22.0  # a heat cycle with the package left on
    fit: Cost = 40.0
    retest: Cost = 9.0
    check_supply: Cost = 8.0
    stop: Cost = 30.0  # giving the memory up and turning to the controller
    stop_wrong: Cost = 150.0  # on top, where the memory was at fault
    returned: Cost = 120.0  # a board that leaves or goes on with its fault
    measure: Cost = 9.0  # a probe or camera reading


class Worth(Ranged, frozen=True, forbid_unknown_fields=True):
    """What a repair is held against, in the unit of the costs."""

    board: Annotated[float, Range(0, 1e9)] = (
        480.0  # what the board is worth when it works: a day of bench time
    )


class Limits(Ranged, frozen=True, forbid_unknown_fields=True):
    """Figures the shop holds its boards to."""

    thin_ui: Share | None = None  # eye widths below this are thin whatever the peers do
    target_rate: Annotated[float, Range(1e-30, 0.1)] = (
        1e-12  # errors per bit a repaired board must stay below
    )
    confidence: Annotated[float, Range(0.5, 0.999999)] = 0.95
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
    """Everything a shop may set; each table and key may be left out.

    Raises ValueError for a prior outside its range.
    """

    priors: Mapping[str, float] = field(default_factory=dict)
    """By their names, those that the shop sets; the mechanisms hold the others."""
    stages: Stages = field(default_factory=Stages)
    costs: Costs = field(default_factory=Costs)
    worth: Worth = field(default_factory=Worth)
    limits: Limits = field(default_factory=Limits)
    words: Words = field(default_factory=Words)
    compare: Comparing = field(default_factory=Comparing)

    def __post_init__(self) -> None:
        for name, expected in self.priors.items():
            EXPECTED.check(f"priors.{name}", expected)

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
        with Path(path).open("rb") as file:
            data = file.read(LARGEST + 1)
        text = data.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as wrong:
        reason = getattr(wrong, "strerror", None) or "it is no UTF-8 text"
        raise _unreadable(path, str(reason)[:1].lower() + str(reason)[1:]) from None
    if len(data) > LARGEST:
        raise _unreadable(path, f"it is larger than {LARGEST >> 20} MiB")
    return parse(text, str(path), mechanisms)


def parse(
    text: str, name: str = "shop", mechanisms: Sequence[Mechanism] = faults.MECHANISMS
) -> Settings:
    """The same from text. The keys of `[priors]` are the priors of the mechanisms."""
    try:
        raw = toml_text.loads(text)
    except toml_text.BadToml as wrong:
        raise _unreadable(name, f"it is no TOML: {wrong}", wrong.position) from None
    priors = list(faults.priors(mechanisms))
    try:
        _check_priors(raw.get("priors"), priors)
        made = msgspec.convert(raw, Settings)
        made.words.vocabulary()  # a word that stands for none is refused at the door
        return made
    except (msgspec.ValidationError, UnknownTarget) as wrong:
        reason = _in_words(str(wrong), priors)
        raise BadSettings(problem("shop-key", file=name, reason=reason)) from None


def _check_priors(table: object, known: Sequence[str]) -> None:
    """Raises msgspec.ValidationError for a key that is none, or no number."""
    for key, value in table.items() if isinstance(table, Mapping) else ():
        if key not in known:
            raise msgspec.ValidationError(f"unknown field `{key}`")
        try:
            msgspec.convert(value, float)
        except msgspec.ValidationError as wrong:
            raise msgspec.ValidationError(f"{wrong} - at `$.priors.{key}`") from None


def _unreadable(file: str | Path, reason: str, at: Position | None = None) -> BadSettings:
    return BadSettings(problem("shop-unreadable", at, file=file, reason=reason))


def _in_words(message: str, priors: Sequence[str]) -> str:
    """msgspec's message, with the nearest known key where one is unknown."""
    import re

    hit = re.search(r"unknown field `([^`]+)`", message)
    if hit is None:
        # What a table says of its key: the name of the table comes behind.
        message = re.sub(r"(?s)^(\w+ is .*) - at `\$\.(\w+)`$", r"\2.\1", message)
        return message.replace("$.", "").replace("`", "")
    known = [*Settings.__struct_fields__, *priors]
    for part in (Stages, Costs, Worth, Limits, Words, Comparing):
        known += part.__struct_fields__
    near = closest(hit.group(1), known)
    return f"there is no key {hit.group(1)}" + (f"; the nearest is {near}" if near else "")
