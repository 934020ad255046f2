"""numpy columns as Arrow's, byte for byte: `pyarrow.array` would import pandas, where it is
installed, to see whether it was given one of its own, and that takes as long as reading a million
rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa


def flags(values: npt.NDArray[np.bool_]) -> Any:
    """A `pa.BooleanArray`."""
    packed = pa.py_buffer(np.packbits(values, bitorder="little"))
    return pa.Array.from_buffers(pa.bool_(), len(values), [None, packed])


def numbers(values: npt.NDArray[np.int64]) -> Any:
    """A `pa.Int64Array`."""
    whole = np.ascontiguousarray(values, np.int64)
    return pa.Array.from_buffers(pa.int64(), len(whole), [None, pa.py_buffer(whole)])


def one_word(text: str) -> Any:
    """A `pa.StringArray` of one plain word."""
    ends = pa.py_buffer(np.array([0, len(text)], np.int32))
    return pa.StringArray.from_buffers(1, ends, pa.py_buffer(text.encode("ascii")))


def from_numbers(column: Any) -> npt.NDArray[Any]:
    """The values of an integer array without nulls, not copied."""
    if not len(column):
        return np.zeros(0, np.int64)
    found = np.frombuffer(column.buffers()[1], f"i{column.type.bit_width // 8}")
    return found[column.offset : column.offset + len(column)]


def from_flags(column: Any) -> npt.NDArray[np.bool_]:
    """The values of a boolean array without nulls."""
    if not len(column):
        return np.zeros(0, np.bool_)
    packed = np.frombuffer(column.buffers()[1], np.uint8)
    end = column.offset + len(column)
    return np.unpackbits(packed, count=end, bitorder="little")[column.offset :].astype(np.bool_)
