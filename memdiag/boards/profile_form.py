"""The form of a board profile: which keys it may hold and of what kind each is.

Every field is checked by itself with msgspec, so that one wrong value does not hide the next:
a technician who writes a profile wants all its faults at once. What the fields say together is
the business of `profile_checks`.
"""

from __future__ import annotations

import reprlib
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal, cast

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from memdiag.boards.baseline_form import BaselineForm, EyeForm, HealthyRailForm, SlopeForm
from memdiag.model.problems import Problem, problem
from memdiag.model.spelling import closest

# The descriptions are what a technician reads behind "is no": keep them in bench words. Every
# number has two ends, wider than any board needs: beyond them it is a slip, or meant ill.
_Text = Annotated[str, Meta(min_length=1, max_length=200, description="text in quotes")]
_Words = Annotated[list[_Text], Meta(description='a list of names, e.g. ["VDD_MEM"]')]
_Mm = Annotated[
    float, Meta(ge=-10_000, le=10_000, description="number of millimetres, -10000 to 10000")
]
_Degrees = Annotated[
    float, Meta(ge=-360, le=360, description="number of degrees, anticlockwise, -360 to 360")
]
_Side = Annotated[float, Meta(ge=0.001, le=10_000)]
_Size = Annotated[
    tuple[_Side, _Side], Meta(description="pair [width, height] of millimetres, 0.001 to 10000")
]
_Volts = Annotated[float, Meta(ge=0.001, le=100, description="number of volts, 0.001 to 100")]
_Amps = Annotated[float, Meta(ge=0.001, le=1000, description="number of amperes, 0.001 to 1000")]
_Ohms = Annotated[float, Meta(ge=0, le=1e9, description="number of ohms, 0 to 1e9")]
_Ui = Annotated[float, Meta(ge=0.001, le=1, description="number of unit intervals, 0.001 to 1")]
_Dq = Annotated[
    list[Annotated[int, Meta(ge=0, le=7)]],
    Meta(min_length=1, max_length=8, description="list of data lines 0-7"),
]
MAX_LANE = 15
"""A channel of 128 lines, the widest in use, has sixteen byte lanes (72-bit ones have nine)."""
_Lanes = Annotated[
    list[Annotated[int, Meta(ge=0, le=MAX_LANE)]],
    Meta(min_length=1, max_length=MAX_LANE + 1, description=f"list of lanes 0-{MAX_LANE}"),
]
_Rank = Annotated[int, Meta(ge=0, le=15, description="rank number 0-15")]
_Channel = (
    Annotated[int, Meta(ge=0, le=65535, description="channel number, 0 to 65535, or name")] | _Text
)
_Bit = Annotated[int, Meta(ge=0, le=63)]
_Bits = Annotated[
    list[_Bit | Annotated[list[_Bit], Meta(min_length=1, max_length=64)]],
    Meta(
        min_length=1,
        max_length=64,
        description="list of address bits 0-63, an XOR group as a list inside it",
    ),
]
Memory = Literal["gddr5", "gddr6", "ddr3", "ddr4", "ddr5", "lpddr4", "lpddr5", "other"]


class LinkForm(Struct):
    channel: _Channel
    lanes: _Lanes
    rank: _Rank = 0
    dq: _Dq | UnsetType = UNSET


class SiteForm(Struct):
    ref: _Text
    links: list[LinkForm]
    x: _Mm | UnsetType = UNSET
    y: _Mm | UnsetType = UNSET
    side: Annotated[Literal["top", "bottom"], Meta(description='"top" or "bottom"')] = "top"
    rotation: _Degrees = 0.0
    size: _Size | UnsetType = UNSET
    rails: _Words = []
    partition: _Text | UnsetType = UNSET
    clamshell: _Text | UnsetType = UNSET


class RailForm(Struct):
    name: _Text
    volts: _Volts | UnsetType = UNSET
    feeds: Annotated[
        Literal["packages", "controller", "other"],
        Meta(description='"packages", "controller" or "other"'),
    ] = "packages"
    healthy_ohms_min: _Ohms | UnsetType = UNSET
    healthy_ohms_typical: _Ohms | UnsetType = UNSET
    inject_volts_max: _Volts | UnsetType = UNSET
    inject_amps_max: _Amps | UnsetType = UNSET


class ControllerForm(Struct):
    x: _Mm
    y: _Mm
    size: _Size


class FieldForm(Struct):
    name: _Text
    bits: _Bits


class AddressForm(Struct):
    fields: list[FieldForm]


class LimitsForm(Struct):
    thin_ui: _Ui | UnsetType = UNSET


class ProfileForm(Struct):
    board: _Text
    site: list[SiteForm]
    memory: Annotated[Memory, Meta(description="memory type")] | UnsetType = UNSET
    title: _Text | UnsetType = UNSET
    outline: _Size | UnsetType = UNSET
    rail: list[RailForm] = []
    controller: ControllerForm | UnsetType = UNSET
    address: AddressForm | UnsetType = UNSET
    limits: LimitsForm | UnsetType = UNSET
    baseline: BaselineForm | UnsetType = UNSET


# How an entry of a list is called, and the key whose value tells it from its brothers.
_ENTRY = {
    "site": ("site", "ref"),
    "rail": ("rail", "name"),
    "links": ("link", "channel"),
    "fields": ("field", "name"),
    "eyes": ("eye", ""),
    "slopes": ("slope", "step"),
    "rails": ("rail", "rail"),
}
TABLES: Mapping[tuple[type[Struct], str], type[Struct]] = {
    (ProfileForm, "site"): SiteForm,
    (ProfileForm, "rail"): RailForm,
    (ProfileForm, "controller"): ControllerForm,
    (ProfileForm, "address"): AddressForm,
    (ProfileForm, "limits"): LimitsForm,
    (ProfileForm, "baseline"): BaselineForm,
    (SiteForm, "links"): LinkForm,
    (AddressForm, "fields"): FieldForm,
    (BaselineForm, "eyes"): EyeForm,
    (BaselineForm, "slopes"): SlopeForm,
    (BaselineForm, "rails"): HealthyRailForm,
}
"""The keys whose values are tables or lists of tables, and what each of those holds."""

MOST_PROBLEMS = 200
"""Nobody mends more at once; a file with more is none, and its rest is not looked at."""


class _Found(list[Problem]):
    """What is wrong so far."""

    @property
    def enough(self) -> bool:
        return len(self) >= MOST_PROBLEMS


def nearest(word: str, known: Iterable[str]) -> str:
    """`; nearest is "VDDQ"`, or nothing where none is near."""
    near = closest(word, known, cutoff=0.5)
    return "" if near is None else f'; nearest is "{near}"'


def fill(data: Mapping[str, Any], file: str) -> tuple[ProfileForm | None, tuple[Problem, ...]]:
    """The form filled from a parsed TOML table, and everything wrong with it.

    The form is None where a needed key is missing or wrong; else wrong fields are left at their
    defaults and said.
    """
    found = _Found()
    form = _fill(ProfileForm, data, file, "", found)
    return cast("ProfileForm | None", form), tuple(found)


def _fill(kind: type[Struct], data: Any, file: str, where: str, found: _Found) -> Struct | None:
    if not isinstance(data, Mapping):
        found.append(
            problem(
                "profile-value",
                file=file,
                where=where,
                key="this",
                wanted="table",
                value=_show(data),
            )
        )
        return None
    fields = {field.name: field for field in msgspec.structs.fields(kind)}
    values: dict[str, Any] = {}
    whole = True
    for key, value in data.items():
        if found.enough:
            return None
        field = fields.get(key)
        if field is None:
            found.append(
                problem(
                    "profile-key",
                    file=file,
                    where=where,
                    key=_brief(key),
                    nearest=nearest(key, fields),
                    known=", ".join(fields),
                )
            )
        elif (kind, key) in TABLES:
            values[key] = _nested(TABLES[kind, key], key, value, file, where, found)
        else:
            try:
                values[key] = msgspec.convert(value, field.type)
            except msgspec.ValidationError:
                whole = whole and not field.required
                found.append(
                    problem(
                        "profile-value",
                        file=file,
                        where=where,
                        key=key,
                        wanted=_wanted(field.type, value),
                        value=_show(value),
                    )
                )
        if key in values and values[key] is None:
            del values[key]
            whole = whole and (field is None or not field.required)
    for name, field in fields.items():
        if field.required and name not in data:
            whole = False
            found.append(
                problem(
                    "profile-missing",
                    file=file,
                    where=where,
                    key=_as_written(name),
                    wanted=_wanted(field.type),
                )
            )
    return kind(**values) if whole else None


def _nested(kind: type[Struct], key: str, value: Any, file: str, where: str, found: _Found) -> Any:
    """A table, or a list of them with those left out that could not be read."""
    if key not in _ENTRY:
        return _fill(kind, value, file, f"{where}[{key}] ", found)
    word, by = _ENTRY[key]
    if not isinstance(value, list):
        found.append(
            problem(
                "profile-value",
                file=file,
                where=where,
                key=_as_written(key),
                wanted="list of tables",
                value=_show(value),
            )
        )
        return None
    entries = []
    for number, item in enumerate(value, 1):
        name = item.get(by) if isinstance(item, Mapping) else None
        named = (
            f"{word} {_brief(name)}" if isinstance(name, str | int) else f"{word} number {number}"
        )
        entries.append(_fill(kind, item, file, f"{where}{named}: ", found))
    return [entry for entry in entries if entry is not None]


def _as_written(key: str) -> str:
    return f"[[{key}]]" if key in ("site", "rail") else key


def _wanted(kind: Any, value: Any = None) -> str:
    """The field's description; for a choice also the words there are and the one meant."""
    schema = msgspec.json.schema(kind)
    text = str(schema.get("description") or _inner(schema, "description") or "list of tables")
    words = schema.get("enum") or _inner(schema, "enum")
    if words and not text.startswith('"'):
        text += f" ({', '.join(words)})"
    return text + (nearest(value, words) if words and isinstance(value, str) else "")


def _inner(schema: Mapping[str, Any], key: str) -> Any:
    return next((part[key] for part in schema.get("anyOf", ()) if key in part), None)


def _show(value: Any) -> str:
    return f'"{_brief(value)}"' if isinstance(value, str) else _brief(value)


def _brief(value: Any) -> str:
    """A value in 40 characters, however deep, long or large it is."""
    text = value if isinstance(value, str) else _SHORT.repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


class _Short(reprlib.Repr):
    def repr_int(self, x: int, level: int) -> str:
        # Python prints no number of 5000 digits.
        return "a very large number" if x.bit_length() > 99 else str(x)


_SHORT = _Short()
_SHORT.maxlevel = 3
