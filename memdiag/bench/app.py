"""The application: its routes, the guard before them, the workers behind them."""

from __future__ import annotations

from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.responses import Response
from starlette.routing import Route

from memdiag.bench import answers
from memdiag.bench.api import Interface
from memdiag.bench.console_pages import ConsolePages
from memdiag.bench.consoles import Consoles
from memdiag.bench.desk import Desk
from memdiag.bench.entrance import Entrance
from memdiag.bench.guard import Guard
from memdiag.bench.ledger_pages import LedgerPages
from memdiag.bench.paste_pages import PastePages
from memdiag.bench.refusal import Refusal
from memdiag.bench.ticket_pages import TicketPages
from memdiag.bench.visitors import Visitors
from memdiag.bench.workers import Workers

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Sequence

    from starlette.requests import Request

    from memdiag.bench.capture import Capture
    from memdiag.bench.config import Bench


def application(bench: Bench, captures: Sequence[Capture] = ()) -> Starlette:
    """The page as an ASGI application; its workers live as long as it does, and so long it listens
    to what is to be captured."""
    workers = Workers(bench.limits)
    visitors = Visitors(bench.port, bench.token)
    desk = Desk(bench.limits.held)
    consoles = Consoles(captures, bench, workers, desk)

    @asynccontextmanager
    async def life(_app: Starlette) -> AsyncIterator[None]:
        workers.start()
        try:
            async with consoles.listening():
                yield
        finally:
            workers.stop()

    async def wrong(request: Request, error: Exception) -> Response:
        """What the framework itself refuses, told as everything else is."""
        assert isinstance(error, HTTPException)
        fields = {"path": request.url.path[:80], "method": request.method, "served": bench.served}
        code = {404: "bench-nothing", 405: "bench-method"}.get(error.status_code)
        if code is None:
            refusal = Refusal.of(error.status_code, "bench-body", reason=str(error.detail)[:200])
        else:
            refusal = Refusal.of(error.status_code, code, **fields)
        made = answers.refused(request.scope, refusal)
        for name, value in (error.headers or {}).items():
            made.headers[name] = value
        return made

    async def static(request: Request) -> Response:
        found = answers.sheets().get(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        caching = {"cache-control": "private, max-age=86400"}
        return Response(found[0], media_type=found[1], headers=caching)

    return Starlette(
        routes=[
            Route("/static/{name}", static, methods=["GET"]),
            *Interface(bench, workers).routes(),
            *Entrance(bench, visitors).routes(),
            *PastePages(bench, workers, visitors, desk).routes(),
            *ConsolePages(consoles).routes(),
            *TicketPages(bench, workers, visitors, desk).routes(),
            *LedgerPages(bench, workers).routes(),
        ],
        middleware=[Middleware(Guard, bench=bench, visitors=visitors)],
        exception_handlers={HTTPException: wrong},
        lifespan=life,
    )
