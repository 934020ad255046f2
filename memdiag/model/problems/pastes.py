"""Problems of a paste: what a terminal, a clipboard or a packer did to the text."""

from __future__ import annotations

import gzip

from memdiag.model.problems.types import ProblemKind, Severity

_HEAD = "bench-dump 1\n[run]\nid  r1\nmemory  gddr6\n[training]\nsite ch step result\n"
_ROWS = "U1 0 id pass\nU1 0 read pass\nU2 1 id pass\nU2 1 read pass\n"
_END = "[end] 4\n"
_DUMP = _HEAD + _ROWS + _END


def _each(prefix: str) -> str:
    return "".join(f"{prefix}{line}\n" for line in _DUMP.splitlines())


KINDS: dict[str, ProblemKind] = {
    "byte-order-mark": ProblemKind(
        Severity.INFO,
        "the text starts with a byte-order mark of {encoding}",
        "left out: nothing to do",
        (b"\xef\xbb\xbf" + _DUMP.encode(), _DUMP.encode("utf-16")),
    ),
    "wide-encoding": ProblemKind(
        Severity.INFO,
        "the text is {encoding}, as some clipboards write it",
        "read as such: nothing to do",
        (_DUMP.encode("utf-16-le"), _DUMP.encode("utf-16-be")),
    ),
    "bytes-not-text": ProblemKind(
        Severity.WARNING,
        "{count} no {encoding}, the first is {first}",
        "shown as \\x and two digits; the rows they stand in may be damaged: capture those again",
        (_DUMP.replace("U2 1 read", "U2 1 re\udcb5d").encode("utf-8", "surrogateescape"),),
    ),
    "not-a-text": ProblemKind(
        Severity.ERROR,
        "the input is no text: {share} of its characters are control codes or bytes that are no "
        "{encoding}",
        "paste or name the dump itself, not a program, picture or document",
        (bytes(range(256)) * 4, b"\x7fELF\x02\x01\x01" + bytes(57) + b"\x90\xff\xfe\x01" * 40),
    ),
    "old-line-ends": ProblemKind(
        Severity.INFO,
        "lines end with a lone carriage return",
        "read as line ends: nothing to do",
        (_DUMP.replace("\n", "\r"),),
    ),
    "nul-characters": ProblemKind(
        Severity.INFO,
        "{count} left out",
        "a serial line pads with them; if rows are damaged too, check its baud rate and ground",
        (_DUMP.replace("pass\n", "pass\0\n"),),
    ),
    "control-characters": ProblemKind(
        Severity.INFO,
        "{count} left out",
        "if rows are damaged too, check the baud rate and the ground of the serial line",
        (_DUMP.replace("U2", "\x07U2"),),
    ),
    "escape-sequences": ProblemKind(
        Severity.INFO,
        "{count} of the terminal left out (colours, cursor moves)",
        "nothing to do; a capture without colours reads the same",
        (_DUMP.replace("pass", "\x1b[32mpass\x1b[0m"),),
    ),
    "backspaces": ProblemKind(
        Severity.INFO,
        "{count} carried out, as a terminal would",
        "check the line: somebody typed in it",
        (_DUMP.replace("U2 1 read", "U2 2\b1 read"),),
    ),
    "odd-blanks": ProblemKind(
        Severity.INFO,
        "{count} (no-break, zero-width and the like) read as a plain blank or left out",
        "a web page or chat window put them in: nothing to do",
        (_DUMP.replace("U2 1", "U2\u00a01"),),
    ),
    "overprinted-text": ProblemKind(
        Severity.INFO,
        "{count} left out that the terminal printed over (progress counters)",
        "nothing to do",
        (_DUMP.replace("U2 1 id", "scan 10 %\rscan 90 %\rU2 1 id"),),
    ),
    "rows-in-one-line": ProblemKind(
        Severity.WARNING,
        "{count} held more than one row, parted by a carriage return or a cursor move",
        "each part was read as a line; capture with plain line ends where it matters",
        (_DUMP.replace("id pass\nU1", "id pass\rU1"),),
    ),
    "time-stamps": ProblemKind(
        Severity.INFO,
        "time stamps in front of {count} left out",
        "nothing to do",
        (_each("2026-03-04T12:00:01Z "), _each("[   12.345678] "), _each("12:00:01.123 ")),
    ),
    "log-prefixes": ProblemKind(
        Severity.INFO,
        "log levels in front of {count} left out",
        "nothing to do",
        (_each("INFO: "), _each("<6>"), _each("[I] ")),
    ),
    "shell-prompts": ProblemKind(
        Severity.INFO,
        "shell prompts in front of {count} left out",
        "nothing to do",
        (_each("> "), _each("rig$ "), _HEAD + _ROWS + "[end] 4rig$ \n"),
    ),
    "command-lines": ProblemKind(
        Severity.INFO,
        "{count} with a shell prompt skipped",
        "they are commands, not part of the dump: nothing to do",
        ("rig$ cat run7.txt\n" + _DUMP + "root@rig:~# ls\n",),
    ),
    "kernel-messages": ProblemKind(
        Severity.INFO,
        "{count} of the operating system between the rows skipped",
        "nothing to do; a capture at a lower console log level has none",
        (
            _HEAD + "[  123.456789] usb 1-1: new device\n" + _ROWS + _END,
            _HEAD + "<6>usb 1-1: new device\n" + _ROWS + _END,
        ),
    ),
    "rows-rejoined": ProblemKind(
        Severity.INFO,
        "{count} cut at the terminal's width of {width} columns put together again",
        "nothing to do; a wider terminal does not cut them",
    ),
    "captures-interleaved": ProblemKind(
        Severity.ERROR,
        "two captures run through each other: {sign}",
        "their rows cannot be told apart: capture one rig at a time, and trust no verdict on this",
        (
            "".join(f"{line}\n{line}\n" for line in _DUMP.splitlines()),
            "".join(f"ttyUSB{i % 2}: {line}\n" for i, line in enumerate(_DUMP.splitlines() * 2)),
        ),
    ),
    "head-missing": ProblemKind(
        Severity.WARNING,
        'the text starts inside a dump: section {section} stands before any "bench-dump" line',
        "the terminal was attached late: run, board and stage are unknown; capture from the start",
        ("[training]\nsite ch step result\n" + _ROWS + _END,),
    ),
    "packed-input": ProblemKind(
        Severity.INFO,
        "the input is packed with {packer}: {packed} unpacked to {unpacked}",
        "nothing to do; line numbers count in the unpacked text",
        (gzip.compress(_DUMP.encode(), mtime=0),),
    ),
    "packed-cut": ProblemKind(
        Severity.WARNING,
        "the {packer} data ends too early: {got} could be unpacked",
        "the copy is not complete: what was got is read; copy the file again",
        (gzip.compress(_DUMP.encode(), mtime=0)[:-12],),
    ),
    "packed-damaged": ProblemKind(
        Severity.WARNING,
        "the {packer} data is damaged ({reason}): {got} could be unpacked",
        "what was got is read, its last rows may be wrong; copy the file again",
        (gzip.compress(_DUMP.encode(), mtime=0)[:-6] + b"\0\0\0\0\0\0",),
    ),
    "packed-tail": ProblemKind(
        Severity.INFO,
        "{count} after the end of the {packer} data not read",
        "if a second file was appended, give it by itself",
        (gzip.compress(_DUMP.encode(), mtime=0) + b"more text",),
    ),
    "packed-bomb": ProblemKind(
        Severity.ERROR,
        "the {packer} data unpacks to more than {bound}, {ratio} times its packed size: none of it "
        "is read",
        "if the dump is truly that large, unpack it to a file first",
        (gzip.compress(bytes(65 << 20), mtime=0),),
    ),
    "text-too-large": ProblemKind(
        Severity.ERROR,
        "the text holds more than {bound}: no text of more is read {way}",
        "{hint}",
        via="large",
    ),
    "packer-unknown": ProblemKind(
        Severity.ERROR,
        "the input is a {packer} file, which memdiag does not unpack",
        "unpack it first, or pack it with gzip, xz or zstd",
        (b"PK\x03\x04\x14\x00\x00\x00\x08\x00" + bytes(40), b"BZh91AY&SY" + bytes(30)),
    ),
}
