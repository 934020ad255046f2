"""Answers: pages with their frame, documents, refusals; all of them text."""

from __future__ import annotations

import functools
import hashlib
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from starlette.responses import HTMLResponse, Response

from memdiag import __version__
from memdiag.reports import html
from memdiag.reports.plain import json_text

if TYPE_CHECKING:
    from jinja2 import Environment
    from starlette.types import Scope

    from memdiag.bench.refusal import Refusal

JSON = "application/json"
_SHEETS = {
    "bench.css": ("memdiag.bench", "static/bench.css", "text/css"),
    "bench.js": ("memdiag.bench", "static/bench.js", "text/javascript"),
    "icon.svg": ("memdiag.bench", "static/icon.svg", "image/svg+xml"),
    "report.css": ("memdiag.reports", "templates/style.css", "text/css"),
}


@functools.cache
def sheets() -> dict[str, tuple[bytes, str]]:
    """The static files by the names they are asked for, with their kinds: nothing else is given
    out, whatever the request says."""
    return {
        name: (files(room).joinpath(path).read_bytes(), kind)
        for name, (room, path, kind) in _SHEETS.items()
    }


@functools.cache
def environment() -> Environment:
    """The templates of this room, and the parts of the reports below them."""
    made = html.environment("memdiag.bench", "memdiag.reports")
    marks = {name: hashlib.sha256(data).hexdigest()[:12] for name, (data, _) in sheets().items()}
    made.globals |= {"version": __version__, "marks": marks}
    return made


def page(name: str, *, status: int = 200, **given: Any) -> HTMLResponse:
    """The template of that name, filled."""
    return HTMLResponse(environment().get_template(name).render(**given), status)


def document(text: str, status: int = 200) -> Response:
    return Response(text, status, media_type=JSON)


def values(made: Any) -> Response:
    """Plain JSON values."""
    return document(json_text(made) + "\n")


def refused(scope: Scope, wrong: Refusal) -> Response:
    """A refusal, as whoever asked can read it: a document over `/api`, else a page."""
    if scope["path"].startswith("/api/"):
        return document(wrong.document() + "\n", wrong.status)
    name = "enter.html" if wrong.status == 401 else "refused.html"
    return page(name, status=wrong.status, problems=wrong.problems, title=wrong.problems[0].message)
