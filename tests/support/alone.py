"""What the interpreter itself is asked for (PEP 578), written down while a command runs."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

# The events of the audit table of the Python documentation that open a connection or start a
# program; `os.fork` is also how a pool of workers begins.
_OUTSIDE = (
    "socket.",
    "subprocess.",
    "os.exec",
    "os.fork",
    "os.posix_spawn",
    "os.spawn",
    "os.startfile",
    "os.system",
    "pty.spawn",
    "urllib.",
    "http.client.",
    "webbrowser.",
)
_listeners: list[list[str]] = []


def _hook(event: str, arguments: object) -> None:
    if _listeners and event.startswith(_OUTSIDE):
        _listeners[-1].append(f"{event}{arguments}")


sys.addaudithook(_hook)  # it stays as long as the process, and hears nothing without a listener


@contextmanager
def alone() -> Iterator[list[str]]:
    """The list of what was asked for inside: empty where nothing left the process."""
    _listeners.append([])
    try:
        yield _listeners[-1]
    finally:
        _listeners.pop()
