"""The form of a profile's `[baseline]`: which keys it may hold and of what kind each is."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

# As in `profile_form`, the descriptions are what a technician reads behind "is no".
_Name = Annotated[str, Meta(min_length=1, max_length=200, description="text in quotes")]
_Above = Annotated[float, Meta(ge=1e-18, le=1e9, description="number above 0, 1e-18 to 1e9")]
_Spread = Annotated[
    float, Meta(ge=1e-9, le=3, description="standard deviation of the natural log, 1e-9 to 3")
]


class EyeForm(Struct):
    what: Annotated[Literal["width", "height"], Meta(description='"width" or "height"')]
    unit: Annotated[Literal["UI", "s", "V", "%", "tap"], Meta(description="unit of the centre")]
    step: _Name
    centre: _Above
    spread: _Spread
    lane: Annotated[int, Meta(ge=0, le=15, description="lane number, 0 to 15")] | UnsetType = UNSET


class SlopeForm(Struct):
    step: _Name
    taps: Annotated[
        float, Meta(ge=-1e4, le=1e4, description="number of taps a lane, -10000 to 10000")
    ]
    spread: Annotated[
        float, Meta(ge=1e-9, le=1e4, description="number of taps a lane, 1e-9 to 10000")
    ]


class HealthyRailForm(Struct):
    rail: _Name
    ohms: _Above
    spread: _Spread


class BaselineForm(Struct):
    boards: Annotated[int, Meta(ge=1, le=10**6, description="number of good boards, 1 to 1000000")]
    error_floor: (
        Annotated[float, Meta(ge=1e-30, le=0.999, description="rate, 1e-30 to 0.999")] | UnsetType
    ) = UNSET
    eyes: list[EyeForm] = []
    slopes: list[SlopeForm] = []
    rails: list[HealthyRailForm] = []
