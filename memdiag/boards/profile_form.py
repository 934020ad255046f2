"""The form of a board profile: which keys it may hold, of what kind each is, and in which ways it
may be written.

`profile_fill` checks every field by itself with msgspec; what the fields say together is the
business of `profile_sites` and `profile_checks`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from memdiag.boards.baseline_form import BaselineForm, EyeForm, HealthyRailForm, SlopeForm
from memdiag.boards.written import (
    MOST,
    as_each_name,
    as_lists_of_names,
    as_name,
    as_names,
    as_numbers,
    as_tables,
    as_word,
    as_words,
)

# The descriptions are what a technician reads behind "is no": keep them in bench words. Every
# number has two ends, wider than any board needs: beyond them it is a slip, or meant ill.
_Text = Annotated[str, Meta(min_length=1, max_length=200, description="text in quotes")]
_Name = Annotated[
    str, Meta(min_length=1, max_length=200, description="text in quotes, or a whole number")
]
_Words = Annotated[
    list[_Name], Meta(max_length=64, description='a name, or a list of them, e.g. ["VDD_MEM"]')
]
_Mm = Annotated[
    float, Meta(ge=-10_000, le=10_000, description="number of millimetres, -10000 to 10000")
]
_Degrees = Annotated[
    float, Meta(ge=-360, le=360, description="number of degrees, anticlockwise, -360 to 360")
]
_SideWord = Annotated[Literal["top", "bottom"], Meta(description='"top" or "bottom"')]
_RowWords = Annotated[
    list[_Name | Annotated[list[_Name], Meta(max_length=64)]],
    Meta(max_length=MOST, description="names of rails, or a list of lists that is shared out"),
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
    Meta(min_length=1, max_length=8, description='list of data lines 0-7, or as in "0-3"'),
]
MAX_LANE = 15
"""A channel of 128 lines, the widest in use, has sixteen byte lanes (72-bit ones have nine)."""
_Lanes = Annotated[
    list[Annotated[int, Meta(ge=0, le=MAX_LANE)]],
    Meta(
        min_length=1,
        max_length=MAX_LANE + 1,
        description=f'list of lanes 0-{MAX_LANE}, or as in "0-1"',
    ),
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
        description='list of address bits 0-63, an XOR group as a list inside it, or as in "5-10"',
    ),
]
_Written = Annotated[str, Meta(min_length=1, max_length=10_000)]
"""Text that is counted out: `U1-U12`, `from 0, 2 each`."""
_MANY = ", or a list that is shared out"
_Refs = Annotated[
    _Written | Annotated[list[_Name], Meta(min_length=1, max_length=MOST)],
    Meta(description='designators as in "U1-U12", or a list of them'),
]
_Names = Annotated[
    _Written | Annotated[list[_Name], Meta(min_length=1, max_length=MOST)],
    Meta(description='name, names as in "P0-P5"' + _MANY),
]
_Channels = Annotated[
    _Channel | Annotated[list[_Channel], Meta(min_length=1, max_length=MOST)],
    Meta(description='channel, channels as in "from 0, 2 each" or "A-D"' + _MANY),
]
_Ranks = Annotated[
    _Rank | Annotated[list[_Rank], Meta(min_length=1, max_length=MOST)],
    Meta(description="rank number 0-15" + _MANY),
]
_RowLanes = Annotated[
    _Lanes | _Written,
    Meta(description=f'lanes 0-{MAX_LANE} of each site, as in "0-1" or "from 0, 1 each"'),
]
_Mms = Annotated[
    _Mm | Annotated[list[_Mm], Meta(min_length=1, max_length=MOST)] | _Written,
    Meta(description='number of millimetres, as in "from 46, 13 apart"' + _MANY),
]
_Turns = Annotated[
    _Degrees | Annotated[list[_Degrees], Meta(min_length=1, max_length=MOST)],
    Meta(description="number of degrees, anticlockwise, -360 to 360" + _MANY),
]
_Sides = Annotated[
    _SideWord | Annotated[list[_SideWord], Meta(min_length=1, max_length=MOST)],
    Meta(description='"top" or "bottom"' + _MANY),
]
Memory = Literal["gddr5", "gddr6", "ddr3", "ddr4", "ddr5", "lpddr4", "lpddr5", "other"]


class LinkForm(Struct):
    channel: _Channel
    lanes: _Lanes
    rank: _Rank = 0
    dq: _Dq | UnsetType = UNSET


class SiteForm(Struct):
    ref: _Name
    links: list[LinkForm]
    x: _Mm | UnsetType = UNSET
    y: _Mm | UnsetType = UNSET
    side: _SideWord | UnsetType = UNSET
    rotation: _Degrees | UnsetType = UNSET
    size: _Size | UnsetType = UNSET
    rails: _Words | UnsetType = UNSET
    partition: _Name | UnsetType = UNSET
    clamshell: _Name | UnsetType = UNSET


class RowLinkForm(Struct):
    channel: _Channels
    lanes: _RowLanes
    rank: _Ranks = 0
    dq: _Dq | UnsetType = UNSET


class RowForm(Struct):
    """Sites that are written in one breath."""

    refs: _Refs
    links: list[RowLinkForm]
    x: _Mms | UnsetType = UNSET
    y: _Mms | UnsetType = UNSET
    side: _Sides | UnsetType = UNSET
    rotation: _Turns | UnsetType = UNSET
    size: _Size | UnsetType = UNSET
    rails: _RowWords | UnsetType = UNSET
    partition: _Names | UnsetType = UNSET
    clamshell: _Names | UnsetType = UNSET


class DefaultsForm(Struct):
    """What holds for every site that does not say otherwise."""

    size: _Size | UnsetType = UNSET
    side: _SideWord | UnsetType = UNSET
    rotation: _Degrees | UnsetType = UNSET
    rails: _Words | UnsetType = UNSET


class RailForm(Struct):
    name: _Name
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


class KeepoutForm(Struct):
    name: _Name
    x: _Mm
    y: _Mm
    size: _Size
    side: _SideWord = "top"
    why: _Text | UnsetType = UNSET


class FieldForm(Struct):
    name: _Text
    bits: _Bits


class AddressForm(Struct):
    fields: list[FieldForm]


class LimitsForm(Struct):
    thin_ui: _Ui | UnsetType = UNSET


class ProfileForm(Struct):
    board: _Text
    site: list[SiteForm] = []
    sites: list[RowForm] = []
    defaults: DefaultsForm | UnsetType = UNSET
    centroid: _Text | UnsetType = UNSET
    memory: Annotated[Memory, Meta(description="memory type")] | UnsetType = UNSET
    title: _Text | UnsetType = UNSET
    outline: _Size | UnsetType = UNSET
    rail: list[RailForm] = []
    controller: ControllerForm | UnsetType = UNSET
    keepout: Annotated[list[KeepoutForm], Meta(max_length=MOST)] = []
    address: AddressForm | UnsetType = UNSET
    limits: LimitsForm | UnsetType = UNSET
    baseline: BaselineForm | UnsetType = UNSET


ENTRY: Mapping[str, tuple[str, str]] = {
    "site": ("site", "ref"),
    "sites": ("sites", "refs"),
    "rail": ("rail", "name"),
    "keepout": ("keepout", "name"),
    "links": ("link", "channel"),
    "fields": ("field", "name"),
    "eyes": ("eye", ""),
    "slopes": ("slope", "step"),
    "rails": ("rail", "rail"),
}
"""How an entry of a list is called, and the key whose value tells it from its brothers."""

TABLES: Mapping[tuple[type[Struct], str], type[Struct]] = {
    (ProfileForm, "site"): SiteForm,
    (ProfileForm, "sites"): RowForm,
    (ProfileForm, "defaults"): DefaultsForm,
    (ProfileForm, "rail"): RailForm,
    (ProfileForm, "controller"): ControllerForm,
    (ProfileForm, "keepout"): KeepoutForm,
    (ProfileForm, "address"): AddressForm,
    (ProfileForm, "limits"): LimitsForm,
    (ProfileForm, "baseline"): BaselineForm,
    (SiteForm, "links"): LinkForm,
    (RowForm, "links"): RowLinkForm,
    (AddressForm, "fields"): FieldForm,
    (BaselineForm, "eyes"): EyeForm,
    (BaselineForm, "slopes"): SlopeForm,
    (BaselineForm, "rails"): HealthyRailForm,
}
"""The keys whose values are tables or lists of tables, and what each of those holds."""

WRITTEN: Mapping[tuple[type[Struct], str], Callable[[Any], Any]] = {
    (ProfileForm, "memory"): as_word,
    (SiteForm, "ref"): as_name,
    (SiteForm, "partition"): as_name,
    (SiteForm, "clamshell"): as_name,
    (SiteForm, "links"): as_tables,
    (RowForm, "refs"): as_each_name,
    (RowForm, "partition"): as_each_name,
    (RowForm, "clamshell"): as_each_name,
    (RowForm, "links"): as_tables,
    **{(kind, "side"): as_words for kind in (SiteForm, RowForm, DefaultsForm, KeepoutForm)},
    **{(kind, "rails"): as_names for kind in (SiteForm, DefaultsForm)},
    (RowForm, "rails"): as_lists_of_names,
    **{(kind, "dq"): as_numbers for kind in (LinkForm, RowLinkForm)},
    (LinkForm, "lanes"): as_numbers,
    (RowLinkForm, "lanes"): as_numbers,
    (FieldForm, "bits"): as_numbers,
    (RailForm, "name"): as_name,
    (KeepoutForm, "name"): as_name,
    (RailForm, "feeds"): as_word,
    (HealthyRailForm, "rail"): as_name,
}
"""Keys that may be written in several ways, and what makes the one way of them."""
