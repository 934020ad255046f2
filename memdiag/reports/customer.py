"""A customer's report as one page of text, for a letter or a print."""

from __future__ import annotations

import textwrap

from memdiag.reports.page import Page
from memdiag.reports.repair_page import RepairPage

WIDTH = 76


def render(page: Page) -> str:
    """The report. Raises TypeError for a page that tells of no repair."""
    if not isinstance(page, RepairPage):
        raise TypeError(f"{page.title} is no repair")
    letter = page.letter()
    blocks = [letter.state.upper(), textwrap.fill(letter.about, WIDTH)]
    for title, sentences in letter.chapters:
        told = [textwrap.fill(s, WIDTH, subsequent_indent="") for s in sentences]
        blocks.append("\n".join([title, "-" * len(title), *told]))
    return "\n\n".join(filter(None, blocks))
