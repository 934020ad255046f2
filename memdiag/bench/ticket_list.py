"""The tickets in a folder, for a list that needs no index."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from memdiag.ledger import folders

MOST = 300


def latest(root: Path) -> list[tuple[str, int]]:
    """The tickets that were filed to last, each with how many entries and outcomes it has; none
    where there is no such folder."""
    try:
        counts = Counter(found.ticket for found in folders.listed(root))
        dated = [((root / ticket).stat().st_mtime, ticket) for ticket in counts]
    except OSError:
        return []
    return [(ticket, counts[ticket]) for _, ticket in sorted(dated, reverse=True)[:MOST]]
