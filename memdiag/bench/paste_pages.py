"""Paste, look, correct, look again: the pages round one paste."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from memdiag.bench import answers, board_pictures, paste_view
from memdiag.bench.desk import Paste
from memdiag.bench.forms import Form, filled
from memdiag.bench.paste_lines import LONGEST
from memdiag.bench.refusal import Refusal

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request

    from memdiag.bench.config import Bench
    from memdiag.bench.desk import Desk
    from memdiag.bench.visitors import Visitors
    from memdiag.bench.workers import Workers

_COPIES = {"text": "text/plain", "markdown": "text/markdown", "json": answers.JSON}


class PastePages:
    """The routes of the first page and of `/paste`."""

    def __init__(self, bench: Bench, workers: Workers, visitors: Visitors, desk: Desk) -> None:
        self._bench, self._workers, self._visitors, self._desk = bench, workers, visitors, desk

    def routes(self) -> list[Route]:
        one = "/paste/{number}"
        return [
            Route("/", self.first, methods=["GET"]),
            Route("/boards/{name}.svg", self.picture, methods=["GET"]),
            Route("/paste", self.put, methods=["POST"]),
            Route(one, self.look, methods=["GET"]),
            Route(f"{one}/lines", self.correct, methods=["POST"]),
            Route(f"{one}/sheet", self.sheet, methods=["GET"]),
            Route(f"{one}/customer", self.customer, methods=["GET"]),
            Route(f"{one}/copy/{{form}}", self.copy, methods=["GET"]),
        ]

    async def first(self, request: Request) -> Response:
        boards = await run_in_threadpool(board_pictures.names)
        return self._page(request, "paste.html", title="memdiag: paste a dump", boards=boards)

    async def picture(self, request: Request) -> Response:
        drawn = await run_in_threadpool(board_pictures.picture, request.path_params["name"])
        return Response(drawn, media_type="image/svg+xml")

    async def put(self, request: Request) -> Response:
        form = await filled(request, self._visitors, self._bench.limits.body)
        raw = form.file("file") or form.body("text").encode("utf-8", "surrogatepass")
        ticket = form.text("ticket", 100)
        paste = self._desk.put(raw, form.text("board") or None, ticket)
        return _to(paste)

    async def look(self, request: Request) -> Response:
        paste = self._desk.take(request.path_params["number"])
        edit = request.query_params.get("edit", "")
        line = int(edit) if edit.isdecimal() and len(edit) < 10 else 0
        seen = paste.seen
        if seen is None or line:
            seen = await self._workers.run(paste_view.seen, *self._judged_by(paste), line)
        if not line:
            paste.seen, paste.fixes = seen, dict(seen.fixes)
        return self._page(
            request,
            "pasted.html",
            title=seen.title,
            seen=seen,
            paste=paste,
            ticket=paste.ticket or seen.ticket,
            boards=await run_in_threadpool(board_pictures.names),
        )

    async def correct(self, request: Request) -> Response:
        """The lines as they were put right; a field that is left as it stood changes nothing."""
        paste = self._desk.take(request.path_params["number"])
        form = await filled(request, self._visitors, self._bench.limits.body)
        self._take(paste, form)
        return _to(paste, "#answer")

    def _take(self, paste: Paste, form: Form) -> None:
        fixes = {n: text for n, text in form.numbered("line").items() if n > 0}
        if len(fixes) > paste_view.MOST_FIXES or any(len(t) > LONGEST for t in fixes.values()):
            reason = f"at most {paste_view.MOST_FIXES} lines of {LONGEST} characters are corrected"
            raise Refusal.of(422, "bench-field", field="corrections", reason=reason)
        paste.fixes |= fixes
        if form.has("board"):
            paste.board = form.text("board") or None
        paste.seen = None

    async def sheet(self, request: Request) -> Response:
        return await self._paper(request, paste_view.sheet)

    async def customer(self, request: Request) -> Response:
        return await self._paper(request, paste_view.customer)

    async def _paper(self, request: Request, job: Callable[..., tuple[str, str]]) -> Response:
        """A page to be printed."""
        paste = self._desk.take(request.path_params["number"])
        middle, title = await self._workers.run(job, *self._judged_by(paste))
        return answers.page("paper.html", title=title, middle=middle)

    async def copy(self, request: Request) -> Response:
        """The verdict for another program, as text."""
        paste, form = self._desk.take(request.path_params["number"]), request.path_params["form"]
        if form not in _COPIES:
            raise Refusal.of(
                404, "bench-nothing", path=request.url.path[:80], served=self._bench.served
            )
        made = await self._workers.run(paste_view.copied, *self._judged_by(paste), form)
        return PlainTextResponse(made, media_type=_COPIES[form])

    def _judged_by(self, paste: Paste) -> tuple[object, ...]:
        return paste.raw, paste.fixes, paste.board, self._bench.shop

    def _page(self, request: Request, name: str, **given: Any) -> Response:
        mark = self._visitors.form_mark(request.scope["visitor"])
        return answers.page(name, mark=mark, **given)


def _to(paste: Paste, where: str = "") -> Response:
    """See it (RFC 9110 section 15.4.4): a page that is loaded anew sends nothing twice."""
    return RedirectResponse(f"/paste/{quote(paste.number)}{where}", 303)
