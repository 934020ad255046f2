"""What is asked of one input of the fuzzing."""

from __future__ import annotations

import io

from memdiag.layouts.matcher import Layout
from memdiag.model.vocabulary import shipped
from memdiag.reading import chunks, load, stream
from memdiag.reading.cleaning import clean
from memdiag.reading.cleaning.prefixes import MARKED
from tests.support.oracle import accounted, rows_of

HEADS = (
    b"",
    b"bench-dump 1\n[training]\nsite ch rank lane step result width window delay spread\n",
    b"bench-dump 1\n[counts]\nsite ch lane test bits errors rose fell edc cells\n",
    b"bench-dump 1\n[errors]\nsite ch lane address wrote read mask edc\n",
    b"bench-dump 1\n[run]\n",
    b"memlog,1\ntable,counts,site,bits,errors\n",
    b"~~~ memory report ~~~\n(reading, round one)\n(channel 0, rank 1)\n",
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
    blocks = chunks.blocks(io.BytesIO(text), 200)
    reading, _ = stream.read(
        blocks, layout, name="-", words=shipped(), in_columns=in_columns, window=100
    )
    found: list[object] = [list(reading.account.lines())]
    for run in reading.runs:
        found += [run.head, run.source, rows_of(run), run.problems]
        if run.errors is not None:
            found += [
                run.errors.keys,
                *(
                    getattr(run.errors, name).tolist()
                    for name in run.errors.__struct_fields__
                    if hasattr(getattr(run.errors, name), "tolist")
                ),
            ]
    return found
