"""Lines of a run's head in a strange dump: `board = quince-2`, `>> board quince-2 memory ddr4`."""

from __future__ import annotations

import re

from msgspec import Struct

from memdiag.model import schema
from memdiag.model.vocabulary import Vocabulary

PLAIN = frozenset({"board", "serial", "memory", "ticket", "stage"})
"""Keys that are believed without a `:` or `=` behind them, where a line holds nothing else."""
_KEYED = re.compile(
    rf"(?P<marks>[!-/:-@\[-`{{-~]{{0,4}})[ ]*(?P<key>{'|'.join(schema.RUN_KEYS)})[ ]*(?P<sign>[:=])"
    r"[ ]*(?P<value>[^ ].*)",
    re.IGNORECASE,
)
_MARKED = re.compile(r"(?P<marks>[!-/:-@\[-`{-~]{0,4})[ ]*(?P<rest>.*)")


class RunLine(Struct, frozen=True):
    """What such lines look like: marks in front, keys as they are written, the sign behind a
    key."""

    marks: str
    keys: tuple[str, ...]
    sign: str


def run_line(text: str, words: Vocabulary) -> RunLine | None:
    """What a line of the head looks like; None for other lines."""
    text = text.strip()
    found = _KEYED.fullmatch(text)
    if found is not None:
        if words.meant("result", found["value"]) is not None:
            return None  # `id: pass` is a step
        return RunLine(found["marks"], (found["key"],), found["sign"])
    marked = _MARKED.fullmatch(text)
    parts = marked["rest"].split() if marked is not None else []
    keys = tuple(parts[::2])
    if marked is None or not keys or len(parts) % 2 or not all(k.lower() in PLAIN for k in keys):
        return None
    return RunLine(marked["marks"], keys, "") if len(set(keys)) == len(keys) else None
