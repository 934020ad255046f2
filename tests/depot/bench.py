"""Dumps in a folder, and batches of them."""

from __future__ import annotations

import hashlib
import io
import tarfile
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from memdiag.depot.course import Course, Order
from memdiag.depot.judging import How
from memdiag.model.batch import BatchSummary

ROOT = Path(__file__).resolve().parents[2]

_LINKS = tuple((f"U{1 + ch // 2}", ch, lane) for ch in range(4) for lane in range(2))


def dump(number: int = 0, *, board: str = "quince-2", bad: bool = False, more: str = "") -> str:
    """A run of a small board: clear, or with a dead lane."""
    rows = "".join(
        f"{at} {ch} {lane} read {'fail' if bad and (ch, lane) == (1, 0) else 'pass'} 0.6UI\n"
        for at, ch, lane in _LINKS
    )
    counts = "".join(f"{at} {ch} {lane} walk 1e12 0\n" for at, ch, lane in _LINKS)
    return (
        f"bench-dump 1\n[run]\nid r{number}\nboard {board}\nmemory lpddr4\n{more}"
        f"[training]\nsite ch lane step result width\n{rows}"
        f"[counts]\nsite ch lane test bits errors\n{counts}[end] 16\n"
    )


def fill(folder: Path, dumps: int = 6, **also: str | bytes) -> Path:
    """A folder with so many dumps, every third with a fault, and more files by name."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(dumps):
        (folder / f"{number:03d}.dump").write_text(dump(number, bad=number % 3 == 1))
    for name, text in also.items():
        data = text.encode() if isinstance(text, str) else text
        (folder / f"{name}.dump").write_bytes(data)
    return folder


def batch(
    inputs: Path | str | tuple[str, ...], out: Path, how: How | None = None, **order: Any
) -> BatchSummary:
    """A batch without times, so that two can be held against each other byte for byte."""
    words = inputs if isinstance(inputs, tuple) else (str(inputs),)
    how = how or How(timed=False)
    return Course(Order(words, out, how, **order)).run()


def content(out: Path, *, but: tuple[str, ...] = ()) -> dict[str, str]:
    """Every file of a batch by its name, and a hash of its bytes."""
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.name not in but
    }


def zipped(members: Mapping[str, str | bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def tarred(members: Mapping[str, str | bytes], mode: str = "w") -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode=mode) as archive:  # type: ignore[call-overload]
        for name, data in members.items():
            raw = data.encode() if isinstance(data, str) else data
            info = tarfile.TarInfo(name)
            info.size = len(raw)
            archive.addfile(info, io.BytesIO(raw))
    return out.getvalue()


def rows(out: Path, dataset: str) -> list[dict[str, Any]]:
    """The rows of a data set as pyarrow reads them back, the board among their columns."""
    import pyarrow as pa
    import pyarrow.dataset as ds

    flavour = ds.partitioning(pa.schema([("board", pa.string())]), flavor="hive")
    found = ds.dataset(out / dataset, partitioning=flavour).to_table().to_pylist()
    return sorted(found, key=lambda row: (row["input"], row["number"] or 0))
