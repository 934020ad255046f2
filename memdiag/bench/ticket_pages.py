"""The pages of a ticket: the repair so far, and forms for what is done next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from memdiag.bench import answers, filing, run_text, ticket_list, ticket_view
from memdiag.bench.forms import Form, filled
from memdiag.bench.refusal import Refusal
from memdiag.ledger import beside

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request

    from memdiag.bench.config import Bench
    from memdiag.bench.desk import Desk
    from memdiag.bench.visitors import Visitors
    from memdiag.bench.workers import Workers

_COPIES = {"text": "text/plain", "markdown": "text/markdown", "json": answers.JSON}
_KINDS = {"jpg": "image/jpeg", "png": "image/png"}
_WORK = ("removed", "replaced", "reflowed", "swapped", "note")
MOST_RAILS = 200


class TicketPages:
    """The routes of `/tickets`, and the one that files a paste."""

    def __init__(self, bench: Bench, workers: Workers, visitors: Visitors, desk: Desk) -> None:
        self._bench, self._workers, self._visitors, self._desk = bench, workers, visitors, desk
        self._where = (bench.folder, bench.ledger, bench.shop)

    def routes(self) -> list[Route]:
        one = "/tickets/{ticket}"
        forms = {
            "ohms": self.ohms,
            "injection": self.injection,
            "work": self.work,
            "note": self.note,
            "photo": self.photo,
            "close": self.close,
        }
        return [
            Route("/tickets", self.all, methods=["GET"]),
            Route("/paste/{number}/file", self.file, methods=["POST"]),
            Route(one, self.look, methods=["GET"]),
            Route(f"{one}/compare", self.compare, methods=["GET"]),
            Route(f"{one}/sheet", self.sheet, methods=["GET"]),
            Route(f"{one}/customer", self.customer, methods=["GET"]),
            Route(f"{one}/copy/{{form}}", self.copy, methods=["GET"]),
            Route(f"{one}/photos/{{number:int}}", self.photograph, methods=["GET"]),
            *(Route(f"{one}/{name}", each, methods=["POST"]) for name, each in forms.items()),
        ]

    async def all(self, request: Request) -> Response:
        if said := request.query_params.get("ticket", "").strip():
            return RedirectResponse(f"/tickets/{quote(said, safe='')}", 303)
        found = await run_in_threadpool(ticket_list.latest, self._bench.folder)
        return answers.page("tickets.html", title="memdiag: tickets", found=found)

    async def look(self, request: Request) -> Response:
        visitor = request.scope["visitor"]
        mark = self._visitors.form_mark(visitor)
        warm = request.query_params.get("warm", "")[:40]
        said = self._desk.heard(visitor)
        made = await self._workers.run(ticket_view.seen, *self._of(request), mark, warm, said)
        return Response(made, media_type="text/html")

    async def compare(self, request: Request) -> Response:
        two = [_number(request, name) for name in ("before", "after")]
        middle, title = await self._workers.run(ticket_view.compared, *self._of(request), *two)
        return answers.page("paper.html", title=title, middle=middle)

    async def sheet(self, request: Request) -> Response:
        return await self._paper(request, ticket_view.sheet)

    async def customer(self, request: Request) -> Response:
        return await self._paper(request, ticket_view.customer)

    async def _paper(self, request: Request, job: Callable[..., tuple[str, str]]) -> Response:
        """A page to be printed."""
        middle, title = await self._workers.run(job, *self._of(request))
        return answers.page("paper.html", title=title, middle=middle)

    async def copy(self, request: Request) -> Response:
        form = request.path_params["form"]
        if form not in _COPIES:
            raise _nothing(request, self._bench)
        made = await self._workers.run(ticket_view.copied, *self._of(request), form)
        return PlainTextResponse(made, media_type=_COPIES[form])

    async def photograph(self, request: Request) -> Response:
        ticket, number = request.path_params["ticket"], request.path_params["number"]
        found = await run_in_threadpool(_photo, self._bench, ticket, number)
        if found is None:
            raise _nothing(request, self._bench)
        return Response(found[0], media_type=_KINDS[found[1]])

    # --- what is filed --------------------------------------------------------------------------

    async def file(self, request: Request) -> Response:
        paste = self._desk.take(request.path_params["number"])
        form = await self._form(request)
        ticket = form.text("ticket", 100)
        given = (ticket, paste.raw, paste.fixes, paste.board, paste.captured)
        return await self._done(request, ticket, filing.paste, *given)

    async def ohms(self, request: Request) -> Response:
        form = await self._form(request)
        rails = [
            (form.text(f"rail-{n}", 80), ohms.strip(), form.text(f"trend-{n}", 20))
            for n, ohms in sorted(form.numbered("ohms").items())
            if ohms.strip()
        ]
        if not 1 <= len(rails) <= MOST_RAILS:
            raise Refusal.of(422, "bench-field", field="ohms", reason="no reading was entered")
        return await self._entered(request, run_text.OHMS, _said(form, "removed", "note"), rails)

    async def injection(self, request: Request) -> Response:
        form = await self._form(request)
        row = tuple(form.text(n, 80) for n in ("rail", "volts", "amps", "hottest", "rise"))
        said = _said(form, "removed", "note")
        return await self._entered(request, run_text.INJECTION, said, (), [row])

    async def work(self, request: Request) -> Response:
        form = await self._form(request)
        said = _said(form, *_WORK)
        if not any(said[name] for name in _WORK):
            raise Refusal.of(422, "bench-field", field="work", reason="nothing was entered")
        return await self._entered(request, run_text.WORK, said)

    async def note(self, request: Request) -> Response:
        form = await self._form(request)
        given = (_ticket(request), form.text("note", 20_000))
        return await self._done(request, _ticket(request), filing.note, *given)

    async def photo(self, request: Request) -> Response:
        form = await self._form(request)
        given = (form.file("photo"), form.text("caption", 200))
        return await self._done(request, _ticket(request), filing.photo, _ticket(request), *given)

    async def close(self, request: Request) -> Response:
        form = await self._form(request)
        said = {name: form.text(name) for name in ("was", "cured", "place", "note")}
        return await self._done(request, _ticket(request), filing.close, _ticket(request), said)

    async def _entered(
        self, request: Request, stage: str, said: dict[str, str], rails: Any = (), heat: Any = ()
    ) -> Response:
        given = (_ticket(request), stage, said, tuple(rails), tuple(heat))
        return await self._done(request, _ticket(request), filing.entered, *given)

    async def _done(
        self, request: Request, ticket: str, job: Callable[..., tuple[str, ...]], *given: Any
    ) -> Response:
        """File it, and see the ticket with what there is to say of it."""
        said = await self._workers.run(job, self._where, *given, filing=True)
        self._desk.say(request.scope["visitor"], said)
        return RedirectResponse(f"/tickets/{quote(ticket, safe='')}", 303)

    async def _form(self, request: Request) -> Form:
        return await filled(request, self._visitors, self._bench.limits.body)

    def _of(self, request: Request) -> tuple[Any, ...]:
        return self._bench.folder, _ticket(request), self._bench.shop


def _ticket(request: Request) -> str:
    return str(request.path_params["ticket"])


def _said(form: Form, *names: str) -> dict[str, str]:
    return {name: form.text(name) for name in names}


def _number(request: Request, name: str) -> int:
    said = request.query_params.get(name, "")
    return int(said) if said.isdecimal() and len(said) < 6 else 0


def _photo(bench: Bench, ticket: str, number: int) -> tuple[bytes, str] | None:
    from memdiag.ledger.store import TicketError

    try:
        return beside.photo(bench.folder, ticket, number)
    except TicketError:
        return None


def _nothing(request: Request, bench: Bench) -> Refusal:
    path = request.url.path[:80]
    return Refusal.of(404, "bench-nothing", path=path, served=bench.served)
