"""What a batch came to, counted part by part in bounded memory."""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct, field

from memdiag.depot import parts
from memdiag.depot.parts import Part
from memdiag.model import Board
from memdiag.model.batch import Aside, BatchSummary, BoardCount, CauseCount

if TYPE_CHECKING:
    import pyarrow as pa

NAMED = 10
"""How many inputs are named of each kind."""

_OF_VERDICTS = (
    *("input", "number", "cause", "site", "released", "rows", "lost", "aside", "reason"),
    "seconds",
)
_OF_PROBLEMS = ("input", "number", "code", "severity")


class _OfBoard(Struct):
    dumps: int = 0
    released: int = 0
    causes: Counter[str] = field(default_factory=Counter)
    sites: Counter[tuple[str | None, str]] = field(default_factory=Counter)


class Tally:
    """Counts parts in any order: the summary is the same."""

    def __init__(self) -> None:
        self._inputs = 0
        self._boards: dict[str | None, _OfBoard] = {}
        self._aside: Counter[str] = Counter()
        self._set_aside: list[tuple[str, str, str]] = []
        self._lossy = 0
        self._lost: list[tuple[int, str, int]] = []
        self._problems: Counter[str] = Counter()
        self._slowest: list[tuple[float, str]] = []
        self._microseconds = 0  # whole ones, so that their sum knows no order

    def add(self, part: Part) -> None:
        """The rows of one part."""
        if part.dataset == "verdicts":
            for row in part.table.select(_OF_VERDICTS).to_pylist():
                self._verdict(part.board, row)
            self._shorten()
        elif part.dataset == "problems":
            rows = part.table.select(_OF_PROBLEMS).to_pylist()
            told = {tuple(row.values()) for row in rows if row["severity"] != "info"}
            self._problems.update(code for _, _, code, _ in told)

    def add_files(self, folder: Path, files: Iterable[str]) -> None:
        """The same of files that were written before. Raises OSError and pyarrow.ArrowException
        where one is not there or spoilt."""
        import pyarrow.parquet as pq

        for name in files:
            dataset, board, _ = name.split("/")
            if dataset in ("verdicts", "problems"):
                table: pa.Table = pq.ParquetFile(folder / name).read()
                self.add(Part(dataset, parts.board_of(board), table))

    def summary(self, profiles: dict[str | None, Board | None]) -> BatchSummary:
        """What it came to; `profiles`: the boards that can be drawn."""
        return BatchSummary(
            self._inputs,
            sum(board.dumps for board in self._boards.values()),
            sum(board.released for board in self._boards.values()),
            tuple(
                _board(name, board, profiles.get(name))
                for name, board in sorted(
                    self._boards.items(), key=lambda item: (-item[1].dumps, item[0] or "")
                )
            ),
            tuple(_most(self._aside)),
            tuple(Aside(*one) for one in sorted(self._set_aside)),
            self._lossy,
            tuple((name, lost, rows) for lost, name, rows in _first(self._lost)),
            tuple(_most(self._problems)),
            tuple((name, seconds) for seconds, name in _first(self._slowest)),
            self._microseconds / 1e6,
        )

    @property
    def boards(self) -> Sequence[str | None]:
        """The names of the kinds of boards so far."""
        return list(self._boards)

    def _verdict(self, name: str | None, row: dict[str, Any]) -> None:
        self._inputs += row["number"] in (None, 1)
        if row["seconds"] is not None:
            self._microseconds += round(1e6 * row["seconds"])
            self._slowest.append((row["seconds"], row["input"]))
        if row["aside"] is not None:
            self._aside[row["aside"]] += 1
            self._set_aside.append((row["input"], row["aside"], row["reason"]))
            return
        board = self._boards.setdefault(name, _OfBoard())
        board.dumps += 1
        board.released += row["released"]
        board.causes[row["cause"]] += 1
        if row["cause"] != "clear":
            board.sites[row["site"], row["cause"]] += 1
        if row["lost"]:
            self._lossy += 1
            self._lost.append((row["lost"], row["input"], row["rows"]))

    def _shorten(self) -> None:
        self._set_aside = heapq.nsmallest(NAMED, self._set_aside)
        self._lost = _first(self._lost)
        self._slowest = _first(self._slowest)


def _first(found: Iterable[Any]) -> list[Any]:
    """Those with most, by name where they are alike."""
    return heapq.nsmallest(NAMED, found, key=lambda one: (-one[0], *one[1:]))


def _most(counted: Counter[Any]) -> list[tuple[Any, int]]:
    """The most frequent first, by name where they are alike."""
    return sorted(counted.items(), key=lambda item: (-item[1], item[0]))


def _board(name: str | None, found: _OfBoard, profile: Board | None) -> BoardCount:
    sites = sorted(found.sites.items(), key=lambda item: (-item[1], item[0][0] or "", item[0][1]))
    return BoardCount(
        name,
        found.dumps,
        found.released,
        tuple(_most(found.causes)),
        tuple(CauseCount(site, cause, count) for (site, cause), count in sites),
        profile,
    )
