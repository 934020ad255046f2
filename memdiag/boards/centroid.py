"""A centroid file: where a pick-and-place machine puts each part, as a table with commas.

Columns are told by the headings that layout programs commonly give them, in any order; what stands
above the headings is a preamble, which may name the unit.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct, field

from memdiag.model.patterns import later
from memdiag.model.problems import Position, Problem, problem
from memdiag.resources import read_regular

LARGEST = 8 << 20
"""Bytes of a centroid file at most."""
_FARTHEST = 10_000.0  # mm
_TO_MM = {"mm": 1.0, "mil": 0.0254, "mils": 0.0254, "thou": 0.0254, "in": 25.4, "inch": 25.4}
"""A mil is a thousandth of an inch, an inch is 25.4 mm (exact, by definition of 1959)."""

# Headings without case, blanks, signs and unit: common practice, no source. Of several that fit,
# the one that stands first here is the centre of the part.
_HEADINGS: Mapping[str, Sequence[str]] = {
    key: words.split()
    for key, words in {
        "designator": "designator refdes refdesignator reference ref component part",
        "x": "midx centerx centrex posx xpos xcenter xcentre locationx xloc xcoord xcoordinate x",
        "y": "midy centery centrey posy ypos ycenter ycentre locationy yloc ycoord ycoordinate y",
        "rotation": "rotation rot angle orientation",
        "side": "layer side boardside mountside tb",
    }.items()
}
_SIDES = {
    word: side
    for side, words in {
        "top": "top t toplayer topside fcu front f componentside",
        "bottom": "bottom bot b bottomlayer bottomside bcu back solderside",
    }.items()
    for word in words.split()
}
_UNITS = "(mm|mils?|thou|inch|in)"
_UNIT_SAID = later(rf"\bunits?\b[^\n]*?\b{_UNITS}\b", re.IGNORECASE)
_UNIT_OF_HEADING = later(rf"[\s_(\[]+{_UNITS}[)\]]?\s*$", re.IGNORECASE)
_NUMBER = later(rf"([-+]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))\s*{_UNITS}?", re.IGNORECASE)


class Spot(Struct, frozen=True):
    """Where a part sits: x, y in mm, degrees anticlockwise, its side; None where not said."""

    x: float | None = None
    y: float | None = None
    rotation: float | None = None
    side: str | None = None


class Centroid(Struct, frozen=True):
    """The spots of the designators asked for, folded in case, and what is wrong with the file."""

    spots: Mapping[str, Spot] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()


class Unreadable(ValueError):
    """A file of which nothing can be read; the text of the error says why."""


def read(path: Path, wanted: Collection[str]) -> Centroid:
    """The spots of the wanted designators; a cell that cannot be read is a problem, with its line.
    Raises Unreadable."""
    try:
        data = read_regular(path, LARGEST)
    except (OSError, ValueError) as wrong:
        raise Unreadable((getattr(wrong, "strerror", None) or str(wrong)).lower()) from None
    return parse(data, wanted, str(path))


def parse(data: bytes, wanted: Collection[str], file: str = "centroid file") -> Centroid:
    """The same of the bytes of a file."""
    reader = _Reader(_text(data), file)
    try:
        spots = reader.spots({ref.casefold(): ref for ref in wanted})
    except csv.Error as wrong:
        raise Unreadable(f"it is no table with separators: {wrong}") from None
    return Centroid(spots, tuple(reader.found))


def _text(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:  # an older program; the letters of a designator are ASCII
        return data.decode("latin-1")


class _Reader:
    def __init__(self, text: str, file: str) -> None:
        self.file = file
        self.found: list[Problem] = []
        self.lines = text.splitlines()
        self.bare = False  # whether a length without a unit of its own was read

    def spots(self, wanted: Mapping[str, str]) -> dict[str, Spot]:
        head = self._head()
        if head is None:
            known = "designator, mid x, mid y, rotation, layer"
            self.found.append(problem("centroid-columns", file=self.file, known=known))
            return {}
        start, separator, columns, titles = head
        unit = self._unit(start, [titles[columns[key]] for key in ("x", "y")])
        spots: dict[str, Spot] = {}
        for number, cells in self._rows(start + 1, separator):
            ref = _cell(cells, columns["designator"]).casefold()
            if ref not in wanted:
                continue
            if ref in spots:
                at = Position(number)
                self.found.append(problem("centroid-twice", at, file=self.file, site=wanted[ref]))
                continue
            spots[ref] = self._spot(number, cells, columns, unit, wanted[ref])
        if unit is None and self.bare:
            self.found.append(problem("centroid-unit", file=self.file))
        absent = [name for ref, name in wanted.items() if ref not in spots]
        if absent:
            self.found.append(problem("centroid-lacks", file=self.file, sites=", ".join(absent)))
        return spots

    def _rows(self, start: int, separator: str) -> Iterator[tuple[int, list[str]]]:
        """Each row with the number of its (last) line."""
        reader = csv.reader(self.lines[start:], delimiter=separator, skipinitialspace=True)
        for cells in reader:
            yield start + reader.line_num, cells

    def _head(self) -> tuple[int, str, dict[str, int], list[str]] | None:
        """The first line whose cells name a designator, x and y: its number from 0, what separates
        its cells, which column is which, and the headings."""
        for number, line in enumerate(self.lines[:200]):
            for separator in (",", ";", "\t"):
                cells = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
                columns = _columns(cells)
                if {"designator", "x", "y"} <= set(columns):
                    return number, separator, columns, cells
        return None

    def _unit(self, start: int, headings: Sequence[str]) -> float | None:
        """Millimetres of the unit that the headings or the preamble name, None where none does."""
        for heading in headings:
            hit = _UNIT_OF_HEADING.search(heading)
            if hit:
                return _TO_MM[hit[1].casefold()]
        said = _UNIT_SAID.search("\n".join(self.lines[:start]))
        return _TO_MM[said[1].casefold()] if said else None

    def _spot(
        self,
        number: int,
        cells: list[str],
        columns: Mapping[str, int],
        unit: float | None,
        site: str,
    ) -> Spot:
        def of(key: str) -> str:
            return _cell(cells, columns[key]) if key in columns else ""

        x, y = (_length(of(key), unit) for key in ("x", "y"))
        self.bare |= not (of("x") + of("y")).strip("-+.,0123456789 ")
        turn = _length(of("rotation"), 1.0)
        side = _SIDES.get(re.sub(r"[^a-z]", "", of("side").casefold()))
        read = {"x": x, "y": y, "rotation": turn, "side": side}
        for key, value in read.items():
            if value is None and (of(key) or key in ("x", "y")):
                self._wrong(number, key, of(key), site)
        if x is None or y is None:
            x = y = None
        return Spot(x, y, None if turn is None else turn % 360, side)

    def _wrong(self, number: int, key: str, cell: str, site: str) -> None:
        column = self.lines[number - 1].find(cell) + 1 if cell else 0
        at = Position(number, max(column, 1))
        shown = cell if len(cell) <= 40 else cell[:37] + "..."
        wanted = "top or bottom" if key == "side" else "a number, with its unit if it has one"
        self.found.append(
            problem(
                "centroid-cell", at, file=self.file, site=site, key=key, cell=shown, wanted=wanted
            )
        )


def _cell(cells: Sequence[str], column: int) -> str:
    return cells[column].strip() if column < len(cells) else ""


def _columns(cells: Sequence[str]) -> dict[str, int]:
    """Which column is which; of several that fit, the one whose heading is known best."""
    words = [_UNIT_OF_HEADING.sub("", cell.strip()) for cell in cells]
    plain = [re.sub(r"[^a-z0-9]", "", word.casefold()) for word in words]
    found = {}
    for key, known in _HEADINGS.items():
        at = next((plain.index(word) for word in known if word in plain), None)
        if at is not None:
            found[key] = at
    return found


def _length(cell: str, unit: float | None) -> float | None:
    """Millimetres, or degrees; None where it is no number. A unit in the cell goes first."""
    hit = _NUMBER.fullmatch(cell.strip("°º "))
    if hit is None or len(cell) > 40:
        return None
    own = _TO_MM[hit[2].casefold()] if hit[2] else unit or 1.0
    value = round(float(hit[1].replace(",", ".")) * own, 4)
    return value if math.isfinite(value) and abs(value) <= _FARTHEST else None
