"""The verdict and the comparison as one self-contained HTML page, for screen and paper.

No script, nothing loaded from anywhere, and a Content-Security-Policy in the page that forbids
both: its only style sheet is named there by its hash. Every text is escaped by the templates;
only pictures made by `svg.Drawn` pass as they are.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from memdiag import __version__
from memdiag.model.comparison import Comparison
from memdiag.model.records import Run
from memdiag.model.verdict import Verdict
from memdiag.reports import page_views as views
from memdiag.reports.charts import eye_strips
from memdiag.reports.comparison_views import comparison_view
from memdiag.reports.drawing import drawable, side_svg, swatch
from memdiag.reports.packages import Mark
from memdiag.reports.plain import printable
from memdiag.reports.svg import Drawn

if TYPE_CHECKING:
    from jinja2 import Environment


def verdict_page(verdicts: Sequence[Verdict], comparison: Comparison | None = None) -> str:
    """One page for the verdicts of a text's runs, in order, with a comparison where there is one.

    Raises ValueError where there is no verdict.
    """
    if not verdicts:
        raise ValueError("a page needs at least one verdict")
    alone = comparison is None
    parts = [_verdict(v, f"d{n}", alone) for n, v in enumerate(verdicts, 1)]
    against = None if comparison is None else comparison_view(comparison, below=True)
    return _render("verdict.html", verdicts=parts, comparison=against, title=_title(verdicts))


def comparison_page(
    comparison: Comparison, before: Verdict | None = None, after: Verdict | None = None
) -> str:
    """The page of two runs side by side; their verdicts are the comparison's own where not given.
    The pages of a ticket keep the dumps beside them, so this one shows none."""
    return _render(
        "comparison.html",
        comparison=comparison_view(comparison, before, after),
        title=" - ".join([*_names(comparison.after), comparison.headline]),
    )


def _title(verdicts: Sequence[Verdict]) -> str:
    return " - ".join([*_names(verdicts[0].run), verdicts[0].summary.text])


def _names(run: Run) -> list[str]:
    return [name for name in (run.head.ticket, run.head.serial, run.head.board) if name]


def _verdict(verdict: Verdict, name: str, alone: bool) -> dict[str, Any]:
    """Everything the template shows of one run; `name` keeps ids on the page apart."""
    run = verdict.run
    marks = views.marks(verdict)
    own, spilled = views.items(verdict, alone=alone)
    strips = eye_strips(verdict.table, verdict.board, marks, f"{name}e", verdict.eye_reference)
    return {
        "name": name,
        "plate": views.plate(verdict),
        "head": views.head(run),
        "stage": run.head.stage or "",
        "source": run.source,
        "findings": own,
        "spilled": spilled,
        "pictures": pictures(verdict, marks, name),
        "legend": [
            (cause, swatch(cause, f"{name}k{n}"))
            for n, cause in enumerate(views.causes_shown(marks))
        ],
        "work_on": ", ".join(ref for ref, mark in marks.items() if mark.work),
        "strips": views.on_paper(strips),
        "table": views.table(verdict),
        "problems": verdict.problems,
        "paper_problems": views.PAPER_PROBLEMS,
        "cautions": verdict.cautions,
        "notes": verdict.notes,
        "dump": views.dump(run, views.quoted_lines(verdict)),
    }


def pictures(verdict: Verdict, marks: dict[str, Mark], name: str) -> list[tuple[Drawn, bool]]:
    """Each side of the board, and whether any package sits on it; none without places."""
    board = verdict.board
    if not drawable(board):
        return []
    used = {site.side for site in board.sites if site.x is not None and site.size is not None}
    return [
        (side_svg(board, side, marks, name=f"{name}{side[0]}"), side in used)
        for side in ("top", "bottom")
    ]


def _render(template: str, **context: Any) -> str:
    environment = _environment()
    style, _, _ = environment.loader.get_source(environment, "style.css")  # type: ignore[union-attr]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return environment.get_template(template).render(
        style=Drawn(style), style_hash=digest, version=__version__, **context
    )


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
