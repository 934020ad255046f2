"""Problems of a capture. Each input is what a console sends: `<quiet>` stands where nothing comes
for longer than a dump is waited for, `<lost>` where the cable is pulled; `<named NAME>` is a source
by its name, and sends nothing."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

_HALF = "bench-dump 1\n[run]\nboard  quince-8\n[training]\nsite ch lane step result\n"

KINDS: dict[str, ProblemKind] = {
    "capture-device": ProblemKind(
        Severity.ERROR,
        "cannot listen to {name}: {reason}",
        "{hint}",
        ("<named /dev/nowhere>", "<named />"),
        via="capture",
    ),
    "capture-rate": ProblemKind(
        Severity.ERROR,
        "cannot listen to {said}: {reason}",
        "write DEVICE@BAUD, as in /dev/ttyUSB0@115200, and leave @BAUD away for a pipe or a file",
        ("<named /dev/ttyUSB0@fast>", "<named /dev/ttyUSB0@0>", "<named /dev/null@9600>"),
        via="capture",
    ),
    "capture-driver": ProblemKind(
        Severity.ERROR,
        "{device} is a serial line, and reading one needs pyserial, which is not installed here",
        "pip install 'memdiag[capture]'; or without it: stty -F {device} {baud} raw, then "
        "memdiag capture - < {device}",
    ),
    "capture-disk": ProblemKind(
        Severity.ERROR,
        "what comes cannot be kept in {file}: {reason}",
        "what came before is there; make room, or name another folder with --keep",
    ),
    "capture-no-text": ProblemKind(
        Severity.WARNING,
        "{share} of the bytes that come from {name} are no text",
        "{hint}",
        (b"\x00\xf8\x80\xfe\x1e\xe6\x00\x98" * 40, b"\xff\x00\x80\xfe" * 10 + b"<quiet>"),
        via="capture",
    ),
    "capture-text": ProblemKind(
        Severity.INFO,
        "what comes from {name} is text again",
        "dumps are judged from here on",
        (b"\x00\xf8\x80\xfe\x1e\xe6\x00\x98" * 64 + b"booting the rig, one moment\n" * 40,),
        via="capture",
    ),
    "capture-lost": ProblemKind(
        Severity.WARNING,
        "{name} is gone: {reason}",
        "what came is kept; plug it in again, it is listened to as soon as it is back",
        ("bench-dump 1\n<lost>",),
        via="capture",
    ),
    "capture-back": ProblemKind(
        Severity.INFO,
        "{name} is back",
        "what the board printed in between is missing: boot it again for a whole dump",
        ("bench-dump 1\n<lost>",),
        via="capture",
    ),
    "capture-endless": ProblemKind(
        Severity.WARNING,
        "the dump has no end after {most} MiB: it is judged as far as it came",
        "all is kept, but what follows is judged from the next dump's head on; reset the board",
        (_HALF + "U1 0 0 read pass\n" * 1000,),
        via="capture",
    ),
    "capture-headless": ProblemKind(
        Severity.ERROR,
        "a dump ended of which no beginning was understood",
        "its lines are kept and were not judged: boot again",
        ("U1 0 0 read pass\n[end] 1\n",),
        via="capture",
    ),
    "capture-rest": ProblemKind(
        Severity.WARNING,
        "what came after the dump stalled was not judged (lines: {lines})",
        "it is kept; judge it with the dump where it is the rest of it",
        (_HALF + "U1 0 0 read pass\n<quiet>U1 0 1 read fail\n",),
        via="capture",
    ),
}
