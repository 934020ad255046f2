"""A command run as a process of its own, with a bound on its memory and its time."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import IO

from msgspec import Struct

ROOT = Path(__file__).resolve().parents[2]
MIB = 1 << 20


class Ended(Struct, frozen=True):
    """How a process ended: `status` is None where its time was up, negative where a signal ended
    it. `mib` is the most memory it held at once."""

    status: int | None
    seconds: float
    mib: float
    out: str
    err: str

    @property
    def is_clean(self) -> bool:
        """Whether it ended by itself, with an answer or a refusal in words."""
        refused = self.status == 2 and bool(self.err.strip())
        spoken = "Traceback" not in self.err and "a fault in memdiag itself" not in self.err
        return (self.status in (0, 1) or refused) and spoken


def run(
    arguments: Sequence[str],
    stdin: Path | Sequence[str] | None = None,
    *,
    most_mib: int = 2048,
    seconds: float = 60,
    environment: dict[str, str] | None = None,
) -> Ended:
    """`memdiag ARGUMENTS`, with a file or the output of a command as its standard input, allowed
    `most_mib` of address space and so many seconds."""
    with ExitStack() as stack:
        out: IO[bytes] = stack.enter_context(tempfile.TemporaryFile())
        err: IO[bytes] = stack.enter_context(tempfile.TemporaryFile())
        feeding = None
        if isinstance(stdin, Path):
            source: IO[bytes] | int | None = stack.enter_context(stdin.open("rb"))
        elif stdin is not None:
            feeding = stack.enter_context(subprocess.Popen(stdin, stdout=subprocess.PIPE))
            source = feeding.stdout
        else:
            source = subprocess.DEVNULL
        began = time.monotonic()
        # exec after setrlimit: the bound holds for the interpreter that is measured.
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.attack.bounded", str(most_mib), *arguments],
            stdin=source,
            stdout=out,
            stderr=err,
            cwd=ROOT,
            env={**os.environ, **(environment or {})},
        )
        status, peak = _wait(process, began + seconds)
        taken = time.monotonic() - began
        if feeding is not None:
            feeding.stdout.close() if feeding.stdout else None
            feeding.kill()
        return Ended(status, taken, peak, _text(out), _text(err))


def _wait(process: subprocess.Popen[bytes], until: float) -> tuple[int | None, float]:
    """The exit status (None where the time was up) and the peak of memory in MiB."""
    status = Path(f"/proc/{process.pid}/status")
    peak = 0.0
    while process.poll() is None:
        with suppress(OSError, IndexError, ValueError):  # it may have ended just now
            # Not getrusage(2): that counts what the process was before it became this one.
            peak = int(status.read_text().split("VmHWM:")[1].split()[0]) / 1024  # proc(5): kB
        if time.monotonic() > until:
            process.kill()
            process.wait()
            return None, peak
        time.sleep(0.02)
    return process.returncode, peak


def _text(file: IO[bytes]) -> str:
    file.seek(0)
    return file.read(MIB).decode("utf-8", "replace")


def bound(most_mib: int) -> None:
    """Bounds this process: what asks for more memory is refused, and no machine is killed."""
    resource.setrlimit(resource.RLIMIT_AS, (most_mib * MIB, most_mib * MIB))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
