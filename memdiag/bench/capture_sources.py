"""Where a capture comes from: a serial device, a named pipe, a file, standard input."""

from __future__ import annotations

import errno
import os
import re
import select
import stat
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from memdiag.model.problems import Problem, problem

if TYPE_CHECKING:
    from serial import Serial

USUAL = 115_200
"""Baud where none is said: what consoles of boards are set to more than to anything else (common
practice, no source)."""
_AT_ONCE = 1 << 16  # bytes that are read at once
_WINDOWS_PORT = re.compile(r"COM\d{1,3}", re.IGNORECASE)
_HINTS = {
    errno.ENOENT: "check its name; ls /dev/serial/by-id shows the adapters that are plugged in",
    errno.EACCES: "ask for the right to read it: ls -l shows the group that has it",
    errno.EBUSY: "another program listens to it: end that one",
    errno.EAGAIN: "another program listens to it: end that one",
}


class SourceError(ValueError):
    """A source that cannot be listened to. `problem` says why."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem.sentence())


class Source(Protocol):
    """Bytes from outside. `name` in words, `stem` for names of files, `unlike_text` what to do
    where what comes is no text; `returns`: after its end it may be opened again; `waits`: whoever
    sends is held up while nobody reads, and loses nothing by it."""

    name: str
    stem: str
    unlike_text: str
    returns: bool
    waits: bool

    def open(self) -> None:
        """Open it, again where it was open before. Raises OSError."""

    def read(self, seconds: float) -> bytes | None:
        """What came; empty where nothing did for so long, None where it has come to its end.
        Raises OSError where it was lost."""

    def close(self) -> None:
        """Let go of it."""


class Port:
    """A serial device."""

    returns, waits = True, False

    def __init__(self, device: str, baud: int) -> None:
        self.device, self.baud = device, baud
        self.name, self.stem = f"{device} at {baud} baud", device
        self.unlike_text = (
            f"the board hardly talks at {baud} baud: end this and name its rate, as in "
            f"{device}@{9600 if baud == USUAL else USUAL}; 9600, 38400, 57600, 115200, 921600 and "
            "1500000 are usual"
        )
        self._port: Serial | None = None

    def open(self) -> None:
        from serial import Serial

        self.close()
        # Alone with it: two programs would each get half of the bytes.
        try:
            self._port = Serial(self.device, self.baud, timeout=0, exclusive=True)
        except ValueError as wrong:  # a rate that the driver does not have
            raise OSError(str(wrong)) from None

    def read(self, seconds: float) -> bytes | None:
        assert self._port is not None
        self._port.timeout = seconds
        first: bytes = self._port.read(1)
        return first + self._port.read(min(self._port.in_waiting, _AT_ONCE)) if first else b""

    def close(self) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None


class Pipe:
    """A named pipe, which another program may open anew when one has closed it; a file or standard
    input (`-`), which ends once."""

    waits = True
    unlike_text = (
        "a console's text is wanted: of a serial line check the rate, unpack what is packed"
    )

    def __init__(self, path: str) -> None:
        self._path, self._handle = path, -1
        self.name = self.stem = "standard input" if path == "-" else path
        self.returns = path != "-" and stat.S_ISFIFO(Path(path).stat().st_mode)

    def open(self) -> None:
        if self._path == "-":
            if sys.stdin is None:
                raise OSError(errno.EBADF, "it is closed")
            self._handle = sys.stdin.fileno()
            return
        # Not waiting for a writer; and the old end is let go after the new one is there, so that
        # a writer who came in between is not sent away.
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        before, self._handle = self._handle, os.open(self._path, flags)
        if before >= 0:
            os.close(before)

    def read(self, seconds: float) -> bytes | None:
        if not _is_ready(self._handle, seconds):
            return b""
        try:
            return os.read(self._handle, _AT_ONCE) or None
        except BlockingIOError:
            return b""

    def close(self) -> None:
        if self._handle >= 0 and self._path != "-":
            os.close(self._handle)
        self._handle = -1


def source(said: str) -> Source:
    """The source that `DEVICE[@BAUD]` means. Raises SourceError."""
    if said == "-":
        return Pipe(said)
    device, baud = (said, None) if Path(said).exists() else _parted(said)
    try:
        if _is_serial(device):
            if find_spec("serial") is None:
                raise SourceError(problem("capture-driver", device=device, baud=baud or USUAL))
            return Port(device, baud or USUAL)
        if baud is not None:
            raise SourceError(
                problem("capture-rate", said=said, reason="only a serial line has one")
            )
        if Path(device).is_dir():
            raise OSError(errno.EISDIR, os.strerror(errno.EISDIR))
        return Pipe(device)
    except OSError as wrong:
        raise SourceError(refused(device, wrong)) from None


def refused(name: str, wrong: OSError) -> Problem:
    """Why a source cannot be opened."""
    reason = os.strerror(wrong.errno).lower() if wrong.errno else str(wrong)
    hint = _HINTS.get(wrong.errno or 0, "check the device and its cable")
    return problem("capture-device", name=name, reason=reason, hint=hint)


def _parted(said: str) -> tuple[str, int | None]:
    """The device and its rate. Raises SourceError where what follows the @ is none."""
    device, at, rate = said.rpartition("@")
    if not at:
        return said, None
    if not (rate.isascii() and rate.isdigit() and len(rate) < 9 and int(rate) > 0):
        raise SourceError(problem("capture-rate", said=said, reason=f"{rate!r} is no baud rate"))
    return device, int(rate)


def _is_serial(device: str) -> bool:
    """Whether it is a terminal line. Raises OSError where it is not there."""
    if os.name == "nt" and _WINDOWS_PORT.fullmatch(device):
        return True
    if not stat.S_ISCHR(Path(device).stat().st_mode):
        return False
    handle = os.open(
        device, os.O_RDONLY | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_NONBLOCK", 0)
    )
    try:
        return os.isatty(handle)
    finally:
        os.close(handle)


def _is_ready(handle: int, seconds: float) -> bool:
    try:
        return bool(select.select([handle], [], [], seconds)[0])
    except (OSError, ValueError):  # Windows asks that of sockets only: there reading waits
        return True
