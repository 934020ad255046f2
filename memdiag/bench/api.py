"""The HTTP interface for a shop's own ticket system: the documents of the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
from msgspec import Struct
from starlette.routing import Route

from memdiag.bench import answers, documents, openapi
from memdiag.bench.refusal import Refusal

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request
    from starlette.responses import Response

    from memdiag.bench.config import Bench
    from memdiag.bench.workers import Workers

MOST_RUNS = 64
_TEXT = ("text/plain", "application/octet-stream", "application/gzip")


class _Runs(Struct, forbid_unknown_fields=True):
    """The body of a question about several runs."""

    runs: list[str]


class Interface:
    """The routes below `/api`."""

    def __init__(self, bench: Bench, workers: Workers) -> None:
        self._shop, self._workers = bench.shop, workers

    def routes(self) -> list[Route]:
        return [
            Route("/api/health", self.health, methods=["GET"]),
            Route("/api/openapi.json", self.description, methods=["GET"]),
            Route("/api/verdict", self.verdict, methods=["POST"]),
            Route("/api/compare", self.compare, methods=["POST"]),
            Route("/api/case", self.case, methods=["POST"]),
        ]

    async def health(self, _request: Request) -> Response:
        return answers.values({"status": "ok"})

    async def description(self, _request: Request) -> Response:
        return answers.values(openapi.description())

    async def verdict(self, request: Request) -> Response:
        _of_kind(request, *_TEXT)
        text = await request.body()
        made = await self._workers.run(
            documents.verdict_document, text, _board(request), self._shop
        )
        return answers.document(made)

    async def compare(self, request: Request) -> Response:
        return await self._several(request, documents.comparison_document)

    async def case(self, request: Request) -> Response:
        return await self._several(request, documents.case_document)

    async def _several(self, request: Request, job: Callable[..., str]) -> Response:
        _of_kind(request, answers.JSON)
        texts = _runs(await request.body())
        return answers.document(await self._workers.run(job, texts, _board(request), self._shop))


def _of_kind(request: Request, *wanted: str) -> None:
    """Raises Refusal for a body of another kind: a form of a foreign page can send text only where
    the guard lets it."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind not in wanted:
        raise Refusal.of(
            415, "bench-kind", kind=kind[:80] or "a body without a kind", wanted=wanted[0]
        )


def _board(request: Request) -> str | None:
    return request.query_params.get("board") or None


def _runs(body: bytes) -> list[bytes]:
    try:
        found = msgspec.json.decode(body, type=_Runs).runs
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as wrong:
        raise Refusal.of(400, "bench-body", reason=str(wrong)[:200]) from None
    if not 1 <= len(found) <= MOST_RUNS:
        raise Refusal.of(
            400, "bench-body", reason=f"it holds {len(found)} runs, 1 to {MOST_RUNS} are taken"
        )
    return [text.encode("utf-8", "surrogatepass") for text in found]
