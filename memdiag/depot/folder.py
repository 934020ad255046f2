"""The folder of a batch: what it is of, the plan, and what is done.

    batch.json                what is judged, and how; two that differ in it are never mixed
    inputs/000001.jsonl       the files of each round, in order; a batch that follows has many
    done/000001-000003.json   a block of inputs that is done, and the files that hold it
    verdicts/board=.../...    and the other data sets

A block is done when its file in `done` is there, which is written last. What is found of others was
left by a batch that was killed, and is taken away: so a batch that goes on ends as one that was
never stopped.
"""

from __future__ import annotations

import errno
import json
import os
import re
import secrets
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from memdiag.depot.errors import BatchError
from memdiag.model.batch import DATASETS

ABOUT, INPUTS, DONE = "batch.json", "inputs", "done"
FORMAT = "memdiag-batch-folder/1"
NOTHING = 0
"""The round before the first: of no inputs, so that every data set can be read from the start."""
_BEGUN = ".part-"
_PART = re.compile(r"\d{6}-\d{6}-[0-9a-f]{16}\.parquet")


class Folder:
    """The folder of a batch that is held by this process. Made by `held`."""

    def __init__(self, path: Path) -> None:
        self.path = path

    # -- the plan --------------------------------------------------------------------------------

    def rounds(self) -> list[int]:
        """The rounds that are planned, in order."""
        return sorted(int(p.stem) for p in (self.path / INPUTS).glob("[0-9]*.jsonl"))

    def plan(self, number: int) -> Iterator[str]:
        """The names of the files of a round, in order."""
        with (self.path / INPUTS / f"{number:06d}.jsonl").open(encoding="utf-8") as file:
            for line in file:
                yield json.loads(line)

    def add_round(self, names: Iterable[str]) -> int:
        """Plan one more round; its number."""
        number = max(self.rounds(), default=0) + 1
        text = "".join(json.dumps(name) + "\n" for name in names)
        self.write(f"{INPUTS}/{number:06d}.jsonl", text.encode())
        return number

    # -- what is done ----------------------------------------------------------------------------

    def done(self, number: int) -> dict[int, dict[str, Any]]:
        """The blocks of a round that are done, and what is written of each."""
        found = {}
        for path in (self.path / DONE).glob(f"{number:06d}-*.json"):
            about = json.loads(path.read_bytes())
            found[int(about["block"])] = about
        return found

    def count(self) -> int:
        """How many inputs are done, whoever was stopped before counting them."""
        rounds = (self.done(number).values() for number in self.rounds())
        return sum(about["count"] for blocks in rounds for about in blocks)

    def finish(
        self, number: int, block: int, about: Mapping[str, Any], files: Mapping[str, bytes]
    ) -> None:
        """Write a block: its files, and then that it is done."""
        for name, data in files.items():
            self.write(name, data)
        said = {"block": block, **about, "files": sorted(files)}
        self.write(f"{DONE}/{block_name(number, block)}.json", _json(said))

    def write(self, name: str, data: bytes) -> None:
        """A file of the folder, whole or not at all. Raises BatchError where that fails."""
        target = self.path / name
        begun = target.parent / f"{_BEGUN}{secrets.token_hex(6)}"
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            try:
                with begun.open("xb") as file:
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())
                begun.replace(target)
            finally:
                begun.unlink(missing_ok=True)
        except OSError as wrong:
            raise _unwritable(self.path, wrong) from None

    def sweep(self) -> None:
        """Take away what no finished block holds."""
        held = set()
        for number in (NOTHING, *self.rounds()):
            for about in self.done(number).values():
                held |= set(about["files"])
        for path in self.path.rglob(f"{_BEGUN}*"):
            path.unlink(missing_ok=True)
        for dataset in DATASETS:
            for path in (self.path / dataset).glob("board=*/*"):
                name = path.relative_to(self.path).as_posix()
                if _PART.fullmatch(path.name) and name not in held:
                    path.unlink(missing_ok=True)


def block_name(number: int, block: int) -> str:
    """What the files of a block begin with."""
    return f"{number:06d}-{block:06d}"


def about(path: Path) -> dict[str, Any] | None:
    """What the batch in a folder is of, None where it holds none.

    Raises BatchError where that cannot be read.
    """
    try:
        made = json.loads((path / ABOUT).read_bytes())
        if made["format"] != FORMAT:
            raise ValueError(f"it has the format {made['format']}")
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError) as wrong:
        raise BatchError("batch-spoilt", folder=path, reason=str(wrong).splitlines()[0]) from None
    found: dict[str, Any] = made
    return found


@contextmanager
def held(path: Path, says: Mapping[str, Any]) -> Iterator[Folder]:
    """The folder, made where it is not there, for this process alone. `says` is what is judged and
    how.

    Raises BatchError where it holds anything else, or is held by another.
    """
    with ExitStack() as stack:
        try:
            path.mkdir(parents=True, exist_ok=True)
            stack.enter_context(_lock(path))
            folder = _begun(path, {"format": FORMAT, **says})
            folder.sweep()
        except OSError as wrong:
            raise _unwritable(path, wrong) from None
        yield folder


def _begun(path: Path, says: Mapping[str, Any]) -> Folder:
    folder = Folder(path)
    found = about(path)
    if found is None:
        if any(not p.name.startswith(_BEGUN) for p in path.iterdir()):
            raise BatchError("batch-taken", folder=path)
        folder.write(ABOUT, _json(says))
    elif differs := [key for key in says if found.get(key) != says[key]]:
        raise BatchError("batch-other", folder=path, differs=", ".join(differs))
    return folder


@contextmanager
def _lock(path: Path) -> Iterator[None]:
    """The folder for this process alone, where the system and the disk know such locks."""
    try:
        import fcntl
    except ImportError:  # Windows
        yield
        return
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as wrong:
            if wrong.errno in (errno.EWOULDBLOCK, errno.EACCES):
                raise BatchError("batch-held", folder=path) from None
        yield
    finally:
        os.close(handle)


def _unwritable(path: Path, wrong: OSError) -> BatchError:
    reason = (wrong.strerror or str(wrong)).lower()
    return BatchError("batch-unwritable", folder=path, reason=reason)


def _json(says: Mapping[str, Any] | Sequence[Any]) -> bytes:
    return (json.dumps(says, indent=2) + "\n").encode()
