"""Rows of a dump before they are text: cells by column name, and how twins are aligned."""

from __future__ import annotations

from typing import Any

from msgspec import Struct

SCOPE = ("site", "ch", "rank", "lane", "dq")
SETTING = ("attempt", "point", "temp")
NAMES = ("step", "candidate", "test", "rail", "name", "address", "pass")

_KEYS = (*SCOPE, *SETTING, *NAMES)

RANKING = ("pass", "marginal", "not-run", "fail", "not-found", "no-response")
HARD = frozenset({"fail", "not-found", "no-response"})


class Row(Struct):
    """`means` are the site indices the row can speak of; `links` the links it sums up."""

    section: str
    cells: dict[str, Any]
    means: tuple[int, ...] = ()
    key: tuple[Any, ...] = ()

    def __post_init__(self) -> None:
        self.key = (self.section, *map(self.cells.get, _KEYS))


def worst(results: list[str]) -> str:
    return max(results, key=RANKING.index)
