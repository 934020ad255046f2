"""What dumps do to a worker, for tests that name these functions as `How.judge`.

A dump whose text holds one of the words below is what the word says; any other is judged as ever.
The faults are real ones: the process is killed, waits for ever, asks for memory.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from memdiag.depot.judging import Changed, How, Job, judge_dump
from memdiag.depot.rows import Rows

HERE = "tests.depot.faults"


def judge(job: Job, how: How) -> Rows:
    text = job.data or b""
    if b"# dies" in text:
        os.kill(os.getpid(), signal.SIGKILL)
    if b"# hangs" in text:
        time.sleep(3600)
    if b"# leaves" in text:
        os._exit(3)
    if b"# swells" in text:
        bytearray(64 << 30)
    if b"# wrong" in text:
        raise KeyError("no such thing")
    if b"# restless" in text:
        raise Changed(job.name)
    return judge_dump(job, how)


def judge_once(job: Job, how: How) -> Rows:
    """Dies at the first try of each dump that says where it may note that."""
    text = (job.data or b"").decode()
    if "# dies once: " in text:
        note = Path(text.split("# dies once: ")[1].splitlines()[0])
        if not note.exists():
            note.touch()
            os.kill(os.getpid(), signal.SIGKILL)
    return judge_dump(job, how)


def judge_slowly(job: Job, how: How) -> Rows:
    """A bit at a time, so that there is time to stop a batch."""
    time.sleep(0.2)
    return judge_dump(job, how)
