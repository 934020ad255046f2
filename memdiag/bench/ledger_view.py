"""What the ledger holds, found and counted for its page. Runs in a worker."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from memdiag.bench import answers
from memdiag.bench.refusal import Refusal
from memdiag.diagnosis.settings import Settings
from memdiag.ledger import access, query, teaching
from memdiag.ledger.errors import LedgerError
from memdiag.ledger.filters import Filter
from memdiag.model import Cause
from memdiag.reports import html
from memdiag.reports.statistics_page import statistics_page

MOST = 500
"""Tickets that one page lists; of more the latest."""


def seen(folder: Path, url: str | None, shop: Settings | None, asked: dict[str, str]) -> str:
    """The page of the ledger: the tickets that were asked for (`text`, `serial`, `board`, `site`,
    `cause`), and what the outcomes of their boards teach. Raises Refusal without an index."""
    if url == access.NONE:
        raise Refusal.of(404, "bench-no-ledger")
    said = {name: words or None for name, words in asked.items()}
    wanted = Filter(
        serial=said["serial"],
        board=said["board"],
        site=said["site"],
        cause=said["cause"],
        text=said["text"],
    )
    try:
        found = access.opened(url, [str(folder)])
        with found.look() as connection:
            tickets = query.rows(connection, "tickets", wanted)
            learnt = teaching.statistics(connection, Filter(board=wanted.board), shop)
    except LedgerError as wrong:
        raise Refusal(422, (wrong.problem,)) from None
    made = answers.environment().get_template("ledger.html")
    return made.render(
        title="memdiag: ledger",
        asked=asked,
        tickets=_latest(tickets),
        more=max(0, len(tickets) - MOST),
        causes=[cause.value for cause in Cause],
        views=[html.view(part) for part in statistics_page(learnt).parts()],
        notes=found.notes,
    )


def _latest(tickets: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    return list(reversed(tickets[-MOST:]))
