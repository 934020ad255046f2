"""What a whole run says against itself, against its board profile or against what was declared.

Each check is a small function `(run, board) -> problems`; none changes anything. The reader has
refused rows that cannot be true by themselves: here rows are held against one another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from memdiag.model import Board, Run
from memdiag.model.problems import Problem
from memdiag.reading.checks import counting, history, margins, places

Check = Callable[[Run, Board], Iterable[Problem]]

CHECKS: tuple[Check, ...] = (
    places.sites,
    places.links,
    places.rails,
    history.memory,
    history.rate,
    history.declared_sites,
    history.declared_twice,
    history.stage,
    history.removed_answers,
    margins.results,
    margins.windows,
    margins.full_windows,
    margins.wide_eyes,
    margins.unmeasured_ranks,
    counting.directions,
    counting.counted_twice,
    counting.not_counted,
    counting.link_check,
    counting.temperatures,
)
"""In the order in which their problems are told."""
