"""A request that is not done: why, as problems, and the status it is answered with (RFC 9110)."""

from __future__ import annotations

from typing import Any

from memdiag import __version__
from memdiag.model.problems import Problem, problem
from memdiag.reports.documents import problem_document
from memdiag.reports.plain import json_text

FORMAT = "memdiag-problems/1"


class Refusal(Exception):
    """Raised anywhere on the way of a request; `problems` say why, the reason first."""

    def __init__(self, status: int, problems: tuple[Problem, ...]) -> None:
        self.status, self.problems = status, problems
        super().__init__(status, problems)  # pickled by these: workers raise it too

    @classmethod
    def of(cls, status: int, code: str, **fields: object) -> Refusal:
        """One problem of the catalogue."""
        return cls(status, (problem(code, None, **fields),))

    def document(self) -> str:
        """The refusal as `memdiag-problems/1`."""
        made: dict[str, Any] = {
            "format": FORMAT,
            "tool": __version__,
            "problems": [problem_document(p) for p in self.problems],
        }
        return json_text(made)
