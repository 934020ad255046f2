"""The pages of README.md and docs/: their blocks, and the parts of them that the code makes."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
WRITE = bool(os.environ.get("MEMDIAG_WRITE_GOLDENS"))

_FENCE = re.compile(r"^```(\S*)[ \t]*(.*)\n((?:.*\n)*?)```$", re.MULTILINE)


class Block(Struct, frozen=True):
    kind: str
    about: str
    text: str
    start: int  # of `text` in the page
    after: str  # what stands between this block and the next
    line: int

    @property
    def file(self) -> str | None:
        found = re.search(r"file=(\S+)", self.about)
        return found.group(1) if found else None


def blocks(page: str) -> list[Block]:
    found = list(_FENCE.finditer(page))
    made = []
    for number, hit in enumerate(found):
        end = found[number + 1].start() if number + 1 < len(found) else len(page)
        line = page.count("\n", 0, hit.start()) + 1
        made.append(Block(hit[1], hit[2], hit[3], hit.start(3), page[hit.end() : end], line))
    return made


def file_block(page: Path, name: str) -> str:
    """What a page has its reader write to the file of that name."""
    (text,) = (b.text for b in blocks(page.read_text(encoding="utf-8")) if b.file == name)
    return text


def grid(*rows: Sequence[object]) -> Iterator[str]:
    """The lines of a Markdown table; the first row is its head."""
    head, *body = rows
    yield f"| {' | '.join(map(str, head))} |"
    yield "|" + "---|" * len(head)
    for row in body:
        yield f"| {' | '.join(map(str, row))} |"


def hold(page: Path, name: str, made: str) -> None:
    """Asserts that a page has `made` between its marks; MEMDIAG_WRITE_GOLDENS=1 writes it so."""
    text = page.read_text(encoding="utf-8")
    marked = re.compile(rf"(?<=<!-- {name} -->\n).*?(?=<!-- end of {name} -->)", re.DOTALL)
    assert len(marked.findall(text)) == 1, f"{page.name} has no marks, or many, for {name}"
    if WRITE:
        page.write_text(marked.sub(lambda _: made, text), encoding="utf-8", newline="\n")
        return
    assert marked.findall(text) == [made], "write it anew: MEMDIAG_WRITE_GOLDENS=1"
