"""The form of a profile's `[baseline]`: which keys it may hold and of what kind each is."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

# As in `profile_form`, the descriptions are what a technician reads behind "is no".
_Name = Annotated[str, Meta(min_length=1, description="text in quotes")]
_Above = Annotated[float, Meta(gt=0, description="number above 0")]
_Spread = Annotated[
    float,
    Meta(gt=0, le=3, description="standard deviation of the natural log, above 0 and up to 3"),
]


class EyeForm(Struct):
    what: Annotated[Literal["width", "height"], Meta(description='"width" or "height"')]
    unit: Annotated[Literal["UI", "s", "V", "%", "tap"], Meta(description="unit of the centre")]
    step: _Name
    centre: _Above
    spread: _Spread
    lane: Annotated[int, Meta(ge=0, description="lane number from 0")] | UnsetType = UNSET


class SlopeForm(Struct):
    step: _Name
    taps: Annotated[float, Meta(description="number of taps a lane")]
    spread: Annotated[float, Meta(gt=0, description="number of taps a lane above 0")]


class HealthyRailForm(Struct):
    rail: _Name
    ohms: _Above
    spread: _Spread


class BaselineForm(Struct):
    boards: Annotated[int, Meta(ge=1, description="number of good boards, from 1")]
    error_floor: (
        Annotated[float, Meta(gt=0, lt=1, description="rate above 0 and below 1")] | UnsetType
    ) = UNSET
    eyes: list[EyeForm] = []
    slopes: list[SlopeForm] = []
    rails: list[HealthyRailForm] = []
