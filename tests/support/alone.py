"""What the interpreter itself is asked for (PEP 578), written down while a command runs.

As a program (`python -m tests.support.alone`) it takes a JSON list of commands, each a list of
words, from standard input, runs them one after the other in the folder it stands in, and prints
what each one's exit status was and what it asked for.
"""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout

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


def _run(words: list[str]) -> tuple[object, list[str]]:
    sys.argv = ["memdiag", *words]
    with alone() as asked, redirect_stdout(io.TextIOWrapper(io.BytesIO(), encoding="utf-8")):
        try:
            from memdiag.cli.main import main

            main()
        except SystemExit as end:
            return end.code, asked
    return None, asked


if __name__ == "__main__":
    print(json.dumps([_run(words) for words in json.load(sys.stdin)]))
