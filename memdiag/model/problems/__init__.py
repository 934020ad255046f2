"""Problems: what memdiag could not use, said so that a technician can mend it.

A bad line is data: it becomes a `Problem` and reading goes on. Every code stands once in the
catalogue (the sibling modules), together with inputs that provoke it; the tests run those inputs,
so a message that can no longer occur is found.
"""

from __future__ import annotations

from memdiag.model.problems.types import (
    Position,
    Problem,
    ProblemKind,
    Severity,
    catalogue,
    problem,
)

__all__ = ["Position", "Problem", "ProblemKind", "Severity", "catalogue", "problem"]
