"""The terminal that standard output is: how wide it is, and what it can show."""

from __future__ import annotations

import os
import shutil
import sys

from memdiag.reports.text import Screen

NARROWEST, WIDEST = 40, 200


def screen(*, every_caution: bool = False) -> Screen | None:
    """The terminal; None where standard output is a pipe, a file, or closed."""
    out = sys.stdout
    if out is None or not out.isatty():
        return None
    size = shutil.get_terminal_size((100, 24))
    width = min(max(size.columns, NARROWEST), WIDEST)
    return Screen(width, max(size.lines, 1), _is_styled(), every_caution)


def _is_styled() -> bool:
    """Whether weight and colour are shown and wanted (no-color.org)."""
    return not os.environ.get("NO_COLOR") and os.environ.get("TERM", "") not in ("", "dumb")
