"""Rows become Parquet files: for each data set one of each kind of board and block of inputs.

The same rows give the same bytes. A file is named by its block and by a hash of its content but for
the times, so that two lists of names tell whether two batches say the same.
"""

from __future__ import annotations

import hashlib
import io
import urllib.parse
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from memdiag.depot.rows import Row, Rows
from memdiag.model.batch import DATASETS, MEASURED, Kind

if TYPE_CHECKING:
    import pyarrow as pa

NOT_SAID = "-"
"""The board of dumps that name none: as a dump writes it. Hive's own word for it cannot be read by
pandas beside boards that have a name."""
_LONGEST = 80  # characters of a board's name in the name of a folder
_MOST = 2**63 - 1


class Part(Struct, frozen=True):
    """The rows of one data set that speak of one kind of board (None: not said)."""

    dataset: str
    board: str | None
    table: pa.Table

    def file(self, block: str) -> tuple[str, bytes]:
        """Its name below the folder of the batch, and its bytes."""
        data = _bytes(self.table)
        same = data
        if MEASURED in self.table.column_names:
            same = _bytes(self.table.drop_columns([MEASURED]))
        digest = hashlib.sha256(same).hexdigest()[:16]
        return f"{self.dataset}/{folder_of(self.board)}/{block}-{digest}.parquet", data


def parts(found: Sequence[Rows]) -> Iterator[Part]:
    """The parts of the rows of a block's inputs, which come in order."""
    for dataset in DATASETS:
        by_board: dict[str | None, list[Row]] = {}
        for rows in found:
            for board, *row in getattr(rows, dataset):
                by_board.setdefault(settled(board), []).append(tuple(row))
        for board in sorted(by_board, key=lambda name: name or ""):
            yield Part(dataset, board, _table(dataset, by_board[board]))


def empty() -> Iterator[Part]:
    """A part without rows of each data set: columns to read where nothing was found."""
    for dataset in DATASETS:
        yield Part(dataset, None, _table(dataset, ()))


def settled(board: Any) -> str | None:
    """The board's name as it can be kept: a long one is cut, and told apart by a hash."""
    name = _text(board or NOT_SAID)
    if name == NOT_SAID:
        return None
    if len(name) <= _LONGEST:
        return name
    return f"{name[: _LONGEST - 9]}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"


def folder_of(board: str | None) -> str:
    """The name of a board's folder, as Hive names partitions."""
    return f"board={NOT_SAID if board is None else urllib.parse.quote(board, safe='')}"


def board_of(folder: str) -> str | None:
    """The board of a folder of that name."""
    name = folder.removeprefix("board=")
    return None if name == NOT_SAID else urllib.parse.unquote(name)


def schema(dataset: str) -> pa.Schema:
    """The columns of a data set but for the board, which is in the names of its folders."""
    import pyarrow as pa

    kinds: dict[Kind, pa.DataType] = {
        "text": pa.string(),
        "integer": pa.int64(),
        "real": pa.float64(),
        "boolean": pa.bool_(),
        "texts": pa.list_(pa.string()),
        "integers": pa.list_(pa.int64()),
    }
    return pa.schema([(column.name, kinds[column.kind]) for column in DATASETS[dataset]])


def _table(dataset: str, rows: Sequence[Row]) -> pa.Table:
    import pyarrow as pa

    made = {}
    for number, column in enumerate(DATASETS[dataset]):
        cells = [row[number] for row in rows]
        if column.kind in ("text", "texts"):
            cells = [_texts(cell) for cell in cells]
        elif column.kind == "integer":
            cells = [cell if cell is None else min(cell, _MOST) for cell in cells]  # type: ignore[call-overload]
        made[column.name] = cells
    return pa.table(made, schema=schema(dataset))


def _texts(cell: Any) -> Any:
    return [_text(one) for one in cell] if isinstance(cell, list) else cell and _text(cell)


def _text(text: str) -> str:
    """As Arrow can keep it: half a character of a broken text is written out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _bytes(table: pa.Table) -> bytes:
    import pyarrow.parquet as pq

    out = io.BytesIO()
    pq.write_table(table, out, compression="zstd")
    return out.getvalue()
