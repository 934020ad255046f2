"""Markdown tables, the figures in them, and sections on a page."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence


def share(hits: int, of: int) -> str:
    return "-" if of == 0 else f"{100 * hits / of:.1f} %"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    body = [list(head), *[list(r) for r in rows]]
    widths = [max(len(r[k]) for r in body) for k in range(len(head))]
    out = [
        "| " + " | ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)) + " |" for r in body
    ]
    out.insert(1, "|" + "|".join("-" * (w + 2) for w in widths) + "|")
    return "\n".join(out)


def aim_row(name: str, figure: float, aim: float, more: bool) -> tuple[str, str, str, str]:
    """A measure, its figure in per cent, its aim, and whether it is met."""
    if math.isnan(aim) or math.isnan(figure):
        return name, "-" if math.isnan(figure) else f"{figure:.1f} %", "-", ""
    miss = aim - figure if more else figure - aim
    said = "met" if miss <= 0 else f"missed by {miss:.1f} points"
    return name, f"{figure:.1f} %", f"{'at least' if more else 'at most'} {aim:g} %", said


REST = "## The rest"
"""Most sections that are measured apart stand in front of this one."""


def put(page: str, title: str, made: str, before: str = REST) -> str:
    """The page with this section in front of the first line that begins `before`, there only."""
    bare = re.sub(rf"^## {title}\n.*?(?=^## )", "", page, flags=re.MULTILINE | re.DOTALL)
    at = re.search(rf"^{before}", bare, re.MULTILINE)
    assert at is not None, f"the page has no line {before}"
    return bare[: at.start()] + made + "\n" + bare[at.start() :]
