"""A Parquet file of texts: a column `text`, a paste a row, and perhaps a column `name`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from memdiag.depot.archives import MOST_OF_A_MEMBER, Member
from memdiag.model.problems import problem
from memdiag.reading.cleaning.unpack import size_text

TEXT, NAME = "text", "name"
_AT_ONCE = 256  # rows
_MOST_AT_ONCE = 1 << 30  # bytes of one group of rows, which is unpacked as a whole


def members(path: Path) -> Iterator[Member]:
    """Every text of the file, called by the number of its row, from 1, and its name where it has
    one. A file that cannot be used is one member with what is wrong."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    row = 0
    try:
        found = pq.read_schema(path)
        if TEXT not in found.names or not _holds_text(found.field(TEXT).type):
            yield Member("", None, problem("batch-no-text", columns=", ".join(found.names)))
            return
        # A text that comes again and again is stored once: so it is not made many times either.
        with pq.ParquetFile(path, read_dictionary=[TEXT], memory_map=True) as file:
            columns = [TEXT] + [NAME] * (NAME in found.names)
            for group in range(file.num_row_groups):
                if file.metadata.row_group(group).total_byte_size > _MOST_AT_ONCE:
                    bound = size_text(_MOST_AT_ONCE)
                    yield Member("", None, problem("batch-group", number=group + 1, bound=bound))
                    return
                for batch in file.iter_batches(_AT_ONCE, row_groups=[group], columns=columns):
                    for number in range(batch.num_rows):
                        row += 1
                        yield _member(batch, number, row)
    except (OSError, pa.ArrowException, UnicodeDecodeError) as broken:
        reason = (str(broken).splitlines() or [type(broken).__name__])[0]
        reason = reason.replace(str(path), "it")[:120].rstrip(".").lower()
        yield Member("", None, problem("batch-archive", reason=reason))


def _holds_text(kind: Any) -> bool:
    import pyarrow as pa

    inner = kind.value_type if pa.types.is_dictionary(kind) else kind
    tests = (pa.types.is_string, pa.types.is_large_string, pa.types.is_binary)
    return any(test(inner) for test in (*tests, pa.types.is_large_binary))


def _member(batch: Any, number: int, row: int) -> Member:
    """One text. Nothing said is an empty text, which holds no dump."""
    called = batch.column(1)[number].as_py() if batch.num_columns > 1 else None
    name = str(row) if called is None else f"{row}/{called}"
    said = batch.column(0)[number].as_py()
    data = said.encode("utf-8", "surrogatepass") if isinstance(said, str) else said or b""
    if len(data) > MOST_OF_A_MEMBER:
        return Member(name, None, problem("batch-member", bound=size_text(MOST_OF_A_MEMBER)))
    return Member(name, data)
