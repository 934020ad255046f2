"""Cells by column -> the row they make, and which rows cannot be true.

A cell of `-`, or an empty one, says nothing: None. A cell that cannot be read costs itself and no
other, unless the row is nothing without it: its place, a step, a word of memory. A row that
contradicts itself is no row.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from msgspec import Struct

from memdiag.model import (
    CountRow,
    ErrorRow,
    HeatRow,
    Place,
    RailRow,
    Row,
    TrainingRow,
    ValueRow,
    schema,
)
from memdiag.model.problems import Position
from memdiag.model.quantities import Quantity, parse
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading import cell_values
from memdiag.reading.converters import Wrong
from memdiag.reading.repairs import Repair

UNSAID = ("-", "")

_VITAL: Mapping[str, frozenset[str]] = {
    "training": frozenset({"step"}),
    "counts": frozenset(),
    "errors": frozenset({"wrote", "read", "mask"}),
    "rails": frozenset({"rail", "ohms"}),
    "heat": frozenset({"rail"}),
    "values": frozenset({"name"}),
}
"""Columns without which a row of a table says nothing, beside those of its place."""


class Made(Struct, frozen=True):
    """What cells make: a row, None where nothing of it can stand; the place as far as it is read;
    the cells that could not be read, or what costs the row; what was written otherwise."""

    row: Row | None
    place: Place
    wrong: tuple[Wrong, ...]
    repairs: tuple[Repair, ...]


def build(kind: str, cells: Mapping[str, str], position: Position, words: Vocabulary) -> Made:
    """What these cells make of table `kind`; cells of columns the table does not have are kept in
    `extra`."""
    known = schema.by_name(kind)
    place: dict[str, Any] = {}
    values: dict[str, Any] = {}
    extra: dict[str, str] = {}
    wrong: list[Wrong] = []
    repairs: list[Repair] = []
    for name, text in cells.items():
        column = known.get(name)
        if column is None:
            extra[name] = text
        elif text not in UNSAID:
            try:
                value, told = cell_values.read(column, text, words)
            except Wrong as bad:
                wrong.append(bad)
                continue
            if told is not None:
                repairs.append(told)
            if value is not None:
                into = place if name in schema.SCOPE else values
                into[column.fills] = value
    at = Place(**place)
    row = None
    if not any(w.column in schema.SCOPE or w.column in _VITAL[kind] for w in wrong):
        try:
            row = _BUILD[kind](values, {"position": position, "place": at, "extra": extra})
        except Wrong as bad:
            wrong.append(bad)
    return Made(row, at, tuple(wrong), tuple(repairs))


def _need(values: Mapping[str, Any], *names: str) -> None:
    for name in names:
        if values.get(name) is None:
            raise Wrong("cell-missing", name)


def _training(values: dict[str, Any], base: dict[str, Any]) -> Row:
    _need(values, "step")
    delay = values.get("delay")
    if delay is not None and delay.spread is not None:  # `12+-4`: both in one cell
        values["delay"] = Quantity(delay.value, delay.unit)
        values.setdefault("spread", Quantity(delay.spread, delay.unit))
    return TrainingRow(**values, **base)


def _counts(values: dict[str, Any], base: dict[str, Any]) -> Row:
    bits, errors = values.get("bits"), values.get("errors")
    rose, fell, cells = values.get("rose"), values.get("fell"), values.get("cells")
    wrong = max((n for n in (errors, (rose or 0) + (fell or 0), cells) if n is not None), default=0)
    if bits is not None and wrong > bits:
        raise Wrong("contradiction", "bits", why=f"{wrong} bits wrong of {bits} compared")
    if errors is not None and (rose or 0) + (fell or 0) > errors:
        raise Wrong(
            "contradiction",
            "errors",
            why=f"rose and fell add up to {(rose or 0) + (fell or 0)}, errors are {errors}",
        )
    if errors is not None and cells is not None and cells > errors:
        raise Wrong("contradiction", "cells", why=f"{cells} addresses wrong with {errors} errors")
    return CountRow(**values, **base)


def _errors(values: dict[str, Any], base: dict[str, Any]) -> Row:
    wrote, read, mask = (
        values.pop("wrote", None),
        values.pop("read", None),
        values.pop("mask", None),
    )
    if wrote is None and read is None and mask is None and _says_where(values):
        return ErrorRow(wrong=0, digits=0, address=values.pop("address", None), **values, **base)
    if mask is None and (wrote is None or read is None):
        raise Wrong(
            "cell-missing",
            "mask" if wrote is None and read is None else "read" if read is None else "wrote",
        )
    digits = max(w[1] for w in (wrote, read, mask) if w is not None)
    wrong = mask[0] if mask is not None else wrote[0] ^ read[0]
    if mask is not None and wrote is not None and read is not None and wrong != wrote[0] ^ read[0]:
        raise Wrong("contradiction", "mask", why="the mask is not the difference of wrote and read")
    if wrong == 0:
        raise Wrong("contradiction", "mask" if mask else "read", why="no bit of the word is wrong")
    if wrote is None and read is not None:
        wrote = (read[0] ^ wrong, digits)
    return ErrorRow(
        wrong=wrong,
        wrote=None if wrote is None else wrote[0],
        digits=digits,
        address=values.pop("address", None),
        **values,
        **base,
    )


def _says_where(values: Mapping[str, Any]) -> bool:
    """Whether the cells of an error row say where in memory the word was wrong."""
    at = [values.get(name) for name in ("bank", "row", "col")]
    return values.get("address") is not None or None not in at


def _rails(values: dict[str, Any], base: dict[str, Any]) -> Row:
    _need(values, "rail", "ohms")
    return RailRow(**values, **base)


def _heat(values: dict[str, Any], base: dict[str, Any]) -> Row:
    _need(values, "rail")
    return HeatRow(**values, **base)


def _values(values: dict[str, Any], base: dict[str, Any]) -> Row:
    _need(values, "name")
    text = values.pop("text", None) or "-"
    try:
        reading: Quantity | None = parse(text)
    except ValueError:
        reading = None
    return ValueRow(text=text, value=reading, **values, **base)


_BUILD: dict[str, Callable[[dict[str, Any], dict[str, Any]], Row]] = {
    "training": _training,
    "counts": _counts,
    "errors": _errors,
    "rails": _rails,
    "heat": _heat,
    "values": _values,
}
