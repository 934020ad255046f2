"""What is heard from the consoles, as a page that stays fresh."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.routing import Route

from memdiag.bench import answers

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from memdiag.bench.consoles import Consoles


class ConsolePages:
    """The route of `/console`."""

    def __init__(self, consoles: Consoles) -> None:
        self._consoles = consoles

    def routes(self) -> list[Route]:
        return [Route("/console", self.look, methods=["GET"])]

    async def look(self, _request: Request) -> Response:
        found = self._consoles.all
        latest = max(
            (c.heard[0] for c in found if c.heard), key=lambda heard: heard.at, default=None
        )
        title = f"console: {latest.answer}" if latest and latest.answer else "memdiag: console"
        return answers.page("console.html", title=title, consoles=found, latest=latest)
