"""A bench page in a process of its own, as a technician starts it."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


@contextmanager
def serving(
    folder: Path, *more: str, environment: Mapping[str, str] | None = None
) -> Iterator[str]:
    """`memdiag serve` at a free port, its tickets in `folder`; gives where it is served."""
    command = [sys.executable, "-m", "memdiag", "serve", "--port", "0", "--no-browser"]
    process = subprocess.Popen(
        [*command, "--to", str(folder), *more],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        env=None if environment is None else dict(environment),
    )
    assert process.stderr is not None
    try:
        said = process.stderr.readline()
        found = re.search(r"http://\S+/", said)
        assert found, said + process.stderr.read()
        yield found.group()
    finally:
        process.terminate()
        left = process.communicate(timeout=30)[1]
    assert not left, left  # the server said nothing more: no traceback, no warning
