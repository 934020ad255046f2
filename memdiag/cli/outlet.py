"""What leaves the program: text through one gate, files where they were meant to go.

Texts come from dumps, profiles, grammars, tickets and names of files: a terminal would obey what
stands in them. Nothing but this module writes to the standard streams.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, TextIO

import click

from memdiag.reports.plain import printable


def say(text: str = "", *, err: bool = False, nl: bool = True) -> None:
    """A text to standard output or, `err`, to standard error, without what a terminal obeys.

    Raises click.ClickException where standard output takes no more.
    """
    stream: TextIO | None = sys.stderr if err else sys.stdout
    with _sent(stream, err=err):
        shown = printable(text) + "\n" * nl
        if (binary := getattr(stream, "buffer", None)) is None:  # one that is no file
            click.echo(shown, err=err, nl=False)
        else:
            coded = getattr(stream, "encoding", None) or "utf-8"
            _all(binary, shown.replace("\n", os.linesep).encode(coded, "backslashreplace"))


def redraw(text: str, width: int) -> None:
    """A text over `width` characters of the line that a terminal on standard error is at; an empty
    one wipes them off."""
    with _sent(sys.stderr, err=True):
        shown = printable(text).ljust(width) + "\r" * (not text)
        click.echo(f"\r{shown}", err=True, nl=False)


def send(data: bytes) -> None:
    """Bytes to standard output as they are. Raises click.ClickException as `say` does."""
    with _sent(sys.stdout, err=False):
        _all(sys.stdout.buffer, data)


def _all(binary: BinaryIO, data: bytes) -> None:
    """Every byte. Where Python was told not to buffer, a disk that fills up takes some of them and
    says how many: no error comes before the next."""
    rest = memoryview(data)
    while rest:
        rest = rest[binary.write(rest) :]
    binary.flush()


@contextmanager
def _sent(stream: TextIO | None, *, err: bool) -> Iterator[None]:
    """What cannot be said on standard error is not said; output that is lost is an error."""
    try:
        if stream is None and not err:
            raise OSError(errno.EBADF, "it is closed")
        yield
    except BrokenPipeError:
        raise  # whoever read has enough
    except OSError as wrong:
        _silence(stream)
        if not err:
            raise click.ClickException(
                f"cannot write to standard output: {_reason(wrong)}"
            ) from None


def _silence(stream: TextIO | None) -> None:
    """What a stream still holds would be tried again at the end, and fail again."""
    with suppress(OSError, ValueError):
        if stream is not None:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)


def to_file(data: bytes, output: str, inputs: Iterable[str] = ()) -> None:
    """To a file, whole or not at all; a file that is there keeps its mode and its owner, and a
    link what it points to. What is no regular file (a device, a pipe) is written through.

    Raises click.ClickException where that cannot be done, or the file is one of `inputs`.
    """
    try:
        found = _stat(output)
        if found is not None and any(os.path.samestat(found, one) for one in _read_from(inputs)):
            raise click.ClickException(f"{output} is an input: name another file with -o")
        if found is not None and _is_standard_output(found):
            send(data)
        elif found is None or _is_replaceable(output, found):
            _put(Path(os.path.realpath(output)), data, found)
        else:
            _through(output, data)
    except OSError as wrong:
        raise click.ClickException(f"cannot write {output}: {_reason(wrong)}") from None


def _reason(wrong: OSError) -> str:
    return (wrong.strerror or str(wrong)).lower()


def _stat(name: str) -> os.stat_result | None:
    try:
        return Path(name).stat()
    except FileNotFoundError:
        return None


def _read_from(inputs: Iterable[str]) -> Iterator[os.stat_result]:
    """The regular files among the inputs, standard input too: only those lose by being written."""
    for name in inputs:
        with suppress(OSError, ValueError):
            found = Path(name).stat()
            if stat.S_ISREG(found.st_mode):
                yield found
    with suppress(OSError, ValueError, AttributeError):
        found = os.fstat(sys.stdin.fileno())
        if stat.S_ISREG(found.st_mode):
            yield found


def _is_standard_output(found: os.stat_result) -> bool:
    """`/dev/stdout`, or the file that a shell sends it to: what stands there already stays."""
    try:
        return os.path.samestat(found, os.fstat(sys.stdout.fileno()))
    except (OSError, ValueError, AttributeError):
        return False


def _is_replaceable(output: str, found: os.stat_result) -> bool:
    """A regular file that has a name: not one that is open and was deleted."""
    if not stat.S_ISREG(found.st_mode):
        return False
    there = _stat(os.path.realpath(output))
    return there is not None and os.path.samestat(there, found)


def _put(target: Path, data: bytes, found: os.stat_result | None) -> None:
    """In the place of what is at `target`, if anything, once it is complete."""
    import tempfile

    if found is not None and not os.access(target, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    handle, partial = tempfile.mkstemp(suffix=".part", prefix=".", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        if found is None:
            Path(partial).chmod(0o666 & ~_mask())
        elif not _like(partial, found):
            _through(str(target), data)
            return
        Path(partial).replace(target)
    finally:
        Path(partial).unlink(missing_ok=True)


def _like(partial: str, found: os.stat_result) -> bool:
    """Gives a file the owner and mode of another; whether that was possible."""
    try:
        made = Path(partial).stat()
        if hasattr(os, "chown") and (made.st_uid, made.st_gid) != (found.st_uid, found.st_gid):
            os.chown(partial, found.st_uid, found.st_gid)
        Path(partial).chmod(stat.S_IMODE(found.st_mode))
    except PermissionError:
        return False
    return True


def _mask() -> int:
    """What the user takes from the mode of a new file; the system tells it only by setting it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _through(output: str, data: bytes) -> None:
    flags = os.O_WRONLY | os.O_TRUNC | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(output, flags), "wb") as file:
        file.write(data)
