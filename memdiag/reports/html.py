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

from memdiag import __version__
from memdiag.reports import paper
from memdiag.reports.charts import eye_strips
from memdiag.reports.drawing import drawable, side_svg, swatch
from memdiag.reports.packages import Mark
from memdiag.reports.page import Answer, Outcome, Page, Part, Places
from memdiag.reports.plain import printable
from memdiag.reports.svg import Drawn

if TYPE_CHECKING:
    from collections.abc import Iterable

    from jinja2 import Environment


def render(page: Page) -> str:
    """The whole file, every part in order."""
    environment = _environment()
    style, _, _ = environment.loader.get_source(environment, "style.css")  # type: ignore[union-attr]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return environment.get_template("page.html").render(
        style=Drawn(style),
        style_hash=digest,
        version=__version__,
        title=page.title,
        parts=[_view(part) for part in page.parts()],
    )


def _view(part: Part) -> dict[str, Any]:
    """What the templates show of a part beside its own words: pictures, and what paper keeps."""
    marks = dict(part.places.marks) if part.places else {}
    shown = [marks] if part.places else [dict(s.places.marks) for s in part.sides if s.places]
    causes = dict.fromkeys(m.cause for each in shown for m in each.values() if m.cause)
    name = part.name or "c"
    return {
        "part": part,
        "answer": _KINDS.get(type(part.answer), "said"),
        "own": [item for item in part.items if not item.spilled],
        "spilled": [item for item in part.items if item.spilled],
        "pictures": _pictures(part.places, name),
        "work_on": ", ".join(ref for ref, mark in marks.items() if mark.work),
        "legend": [(cause, swatch(cause, f"{name}k{n}")) for n, cause in enumerate(causes)],
        "side_pictures": [
            [drawn for drawn, used in _pictures(side.places, f"c{side.title[0].lower()}") if used]
            for side in part.sides
        ],
        "strips": _strips(part, marks),
        "table": paper.table(part.grid) if part.grid is not None and part.grid.title else None,
        "paper": paper.room(part),
        "lines": paper.dump(part.run, part.quoted) if part.run is not None else (),
    }


_KINDS = {Answer: "plate", Outcome: "outcome"}


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


def _strips(part: Part, marks: dict[str, Mark]) -> Iterable[tuple[Drawn, bool]]:
    if part.eyes is None or part.places is None:
        return ()
    eyes = part.eyes
    strips = eye_strips(eyes.rows, part.places.board, marks, f"{part.name}e", eyes.healthy)
    return paper.strips(strips)


@functools.cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("memdiag.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_seen,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _seen(value: Any) -> Any:
    """Control and direction characters are made visible in every text that comes in."""
    return printable(value) if type(value) is str else value
