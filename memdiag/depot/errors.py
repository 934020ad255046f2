"""What a batch cannot do, as a problem that says what to do about it."""

from __future__ import annotations

from memdiag.model.problems import Problem, problem


class BatchError(Exception):
    """The batch cannot begin or go on; `problem` says why. What was judged is kept."""

    def __init__(self, code: str, **fields: object) -> None:
        self.problem: Problem = problem(code, None, **fields)
        super().__init__(self.problem.sentence())
