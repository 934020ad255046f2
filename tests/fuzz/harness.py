"""Coverage-guided fuzzing of the reader: `python -m tests.fuzz.harness -max_total_time=60 CORPUS`.

Needs atheris (the `fuzz` extra). The flags are libFuzzer's; CORPUS is a folder that grows. What it
finds belongs in tests/fuzz/finds/, where the ordinary test run replays it.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["memdiag", "lark"]):
    from memdiag import blocks, bulk, checks, clean, load, problems, stream  # noqa: F401
    from memdiag.layout import Layout
    from memdiag.prefixes import MARKED
    from memdiag.problems import layouts, pastes, reading, runs
    from tests.oracle import accounted, rows_of

HEADS = (
    b"",
    b"bench-dump 1\n[training]\nsite ch rank lane step result width window delay\n",
    b"bench-dump 1\n[counts]\nsite ch lane test bits errors rose fell edc cells\n",
    b"bench-dump 1\n[errors]\nsite ch lane address wrote read mask edc\n",
    b"bench-dump 1\n[run]\n",
    b"memlog,1\ntable,counts,site,bits,errors\n",
    b"===== memory bring-up =====\nread training, first pass:\nchannel 0, rank 1:\n",
)
"""What an input is put behind, by its first byte: the deeper parts are found sooner."""


def one(data: bytes) -> None:
    """One input, behind a head: nothing raises, no line vanishes, and rows read in columns are
    the rows read one by one."""
    if not data:
        return
    text = HEADS[data[0] % len(HEADS)] + data[1:]
    accounted(text)
    if clean.plain(text) and not any(map(MARKED.match, text.decode().splitlines())):
        try:
            layout = load.examine(text).layout
        except load.Unreadable:
            return
        assert outcome(text, layout, in_columns=True) == outcome(text, layout, in_columns=False)


def outcome(text: bytes, layout: Layout, *, in_columns: bool) -> list[object]:
    """All that a text is read as, as plain values."""
    blocks = stream.blocks(io.BytesIO(text), 200)
    reading, _ = stream.read(blocks, layout, name="-", in_columns=in_columns, window=100)
    found: list[object] = [list(reading.account.lines())]
    for run in reading.runs:
        found += [run.head, run.source, rows_of(run), run.problems]
        if run.errors is not None:
            found += [run.errors.keys, *(
                getattr(run.errors, f.name).tolist()
                for f in fields(run.errors) if hasattr(getattr(run.errors, f.name), "tolist")
            )]  # fmt: skip
    return found


def seeds() -> Iterator[bytes]:
    """Inputs to start from: those that provoke each problem, and the samples."""
    from memdiag.resources import shipped

    for kinds in (reading.KINDS, pastes.KINDS, runs.KINDS, layouts.KINDS):
        for kind in kinds.values():
            if kind.via == "dump":
                for text in kind.provoked_by:
                    yield b"\0" + (text if isinstance(text, bytes) else text.encode())
    for path in sorted(shipped("samples").glob("*.dump")):
        yield b"\0" + path.read_bytes()[:4000]


def main() -> None:
    problems.catalogue()
    corpus = [Path(a) for a in sys.argv[1:] if not a.startswith("-")]
    if corpus:
        corpus[0].mkdir(parents=True, exist_ok=True)
        for i, seed in enumerate(seeds()):
            (corpus[0] / f"seed-{i}").write_bytes(seed)
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
