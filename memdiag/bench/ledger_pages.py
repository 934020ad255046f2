"""The page of the ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from memdiag.bench import ledger_view

if TYPE_CHECKING:
    from starlette.requests import Request

    from memdiag.bench.config import Bench
    from memdiag.bench.workers import Workers

_ASKED = ("text", "serial", "board", "site", "cause")
_MOST = 200  # characters of what is looked for


class LedgerPages:
    """The route `/ledger`."""

    def __init__(self, bench: Bench, workers: Workers) -> None:
        self._bench, self._workers = bench, workers

    def routes(self) -> list[Route]:
        return [Route("/ledger", self.look, methods=["GET"])]

    async def look(self, request: Request) -> Response:
        asked = {name: request.query_params.get(name, "").strip()[:_MOST] for name in _ASKED}
        bench = self._bench
        given = (bench.folder, bench.ledger, bench.shop, asked)
        return HTMLResponse(await self._workers.run(ledger_view.seen, *given, filing=True))
