"""A page as one self-contained HTML file, for screen and paper.

No script, nothing loaded from anywhere, and a Content-Security-Policy in the page that forbids
both: its only style sheet is named there by its hash. Every text is escaped by the templates;
only pictures made by `svg.Drawn` pass as they are.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from typing import TYPE_CHECKING, Any

from msgspec.structs import replace

from memdiag import __version__
from memdiag.model.words import suspects
from memdiag.reports import paper, plots
from memdiag.reports.answers import what
from memdiag.reports.charts import eye_strips
from memdiag.reports.curves import curves_chart
from memdiag.reports.drawing import drawable, side_svg, swatch
from memdiag.reports.packages import Mark
from memdiag.reports.page import Page, Part, Places, Statement
from memdiag.reports.plain import printable
from memdiag.reports.svg import Drawn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from jinja2 import Environment


def render(page: Page) -> str:
    """The whole file, every part in order."""
    made = environment("memdiag.reports")
    style, _, _ = made.loader.get_source(made, "style.css")  # type: ignore[union-attr]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return made.get_template("page.html").render(
        style=Drawn(style),
        style_hash=digest,
        version=__version__,
        title=page.title,
        parts=[view(part) for part in page.parts()],
    )


def view(part: Part) -> dict[str, Any]:
    """What the templates show of a part beside its own words: pictures, and what paper keeps."""
    marks = part.places.marks if part.places else {}
    chapters = part.story.chapters if part.story else ()
    shown = [part.places, *(s.places for s in part.sides), *(c.places for c in chapters)]
    every = (mark for places in shown if places for mark in places.marks.values())
    keys = dict.fromkeys(
        replace(m, work=False, told="", heat="") for m in every if m.cause or m.one_of
    )
    name = part.name or "c"
    grid = part.grid
    if grid is None and isinstance(part.answer, Statement):
        grid = part.answer.grid
    strips: Sequence[tuple[Drawn, bool]] = ()
    if (p := part.places) is not None:
        strips = eye_strips(p.rows, p.board, p.marks, f"{name}e", p.healthy)
    return {
        "part": part,
        "kind": type(part.answer).__name__,
        "own": [item for item in part.items if not item.spilled],
        "spilled": [item for item in part.items if item.spilled],
        "pictures": _pictures(part.places, name),
        "work_on": ", ".join(ref for ref, mark in marks.items() if mark.work),
        "legend": [(_meaning(m), swatch(m, f"{name}k{n}")) for n, m in enumerate(keys)],
        "side_pictures": [
            _used_sides(side.places, f"c{side.title[0].lower()}") for side in part.sides
        ],
        "step_pictures": [_used_sides(c.places, f"{name}s{n}") for n, c in enumerate(chapters)],
        "curves": curves_chart(part.story) if part.story else None,
        "figures": paper.table(part.story.grid) if part.story else None,
        "strips": paper.strips(strips),
        "plots": [plots.drawn(plot, f"{name}p{n}") for n, plot in enumerate(part.plots)],
        "grid": grid,
        "table": paper.table(grid) if grid is not None and grid.title else None,
        "lines": paper.dump(part.run, paper.quoted(part)) if part.run is not None else (),
    }


def _meaning(mark: Mark) -> str:
    """What a mark stands for: a cause, or the packages one of which is meant."""
    return f"suspect: {suspects(mark.one_of)}" if mark.one_of else mark.cause or ""


def _pictures(places: Places | None, name: str) -> list[tuple[Drawn, bool]]:
    """Each side of the board, and whether any package sits on it; none without places."""
    if places is None or not drawable(places.board):
        return []
    board = places.board
    used = {site.side for site in board.sites if site.x is not None and site.size is not None}
    return [
        (side_svg(board, side, places.marks, name=f"{name}{side[0]}"), side in used)
        for side in ("top", "bottom")
    ]


def _used_sides(places: Places | None, name: str) -> list[Drawn]:
    """The sides of the board that hold a package."""
    return [drawn for drawn, used in _pictures(places, name) if used]


@functools.cache
def environment(*rooms: str) -> Environment:
    """The templates of these packages, the first that has one of a name; every text is escaped."""
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=ChoiceLoader([PackageLoader(room) for room in rooms]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_seen,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals |= {"paper": paper, "what": what}
    return made


def _seen(value: Any) -> Any:
    """Control and direction characters are made visible in every text that comes in."""
    return printable(value) if type(value) is str else value
