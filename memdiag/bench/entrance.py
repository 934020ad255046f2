"""Where a visitor from another PC shows the access token."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from memdiag.bench import answers
from memdiag.bench.forms import filled
from memdiag.bench.refusal import Refusal

if TYPE_CHECKING:
    from starlette.requests import Request

    from memdiag.bench.config import Bench
    from memdiag.bench.visitors import Visitors

_PAUSE = 1.0  # seconds that a wrong token costs
_MOST = 4096


class Entrance:
    """The route `/enter`."""

    def __init__(self, bench: Bench, visitors: Visitors) -> None:
        self._bench, self._visitors = bench, visitors

    def routes(self) -> list[Route]:
        return [
            Route("/enter", self.ask, methods=["GET"]),
            Route("/enter", self.enter, methods=["POST"]),
        ]

    async def ask(self, request: Request) -> Response:
        mark = self._visitors.form_mark(request.scope["visitor"])
        return answers.page("enter.html", title="memdiag: access", mark=mark)

    async def enter(self, request: Request) -> Response:
        form = await filled(request, self._visitors, _MOST)
        if not self._visitors.is_token(form.text("token")):
            await asyncio.sleep(_PAUSE)
            raise Refusal.of(401, "bench-token")
        made = RedirectResponse("/", 303)
        entry = self._visitors.entry_mark(request.scope["visitor"])
        made.set_cookie(self._visitors.entry, entry, httponly=True, samesite="strict")
        return made
