"""What the ledger cannot do, as a problem that says what to do about it."""

from __future__ import annotations

from memdiag.model.problems import Problem, problem


class LedgerError(Exception):
    """The index, an outcome or the settings made from them cannot be used; `problem` says why."""

    def __init__(self, code: str, **fields: object) -> None:
        self.problem: Problem = problem(code, None, **fields)
        super().__init__(self.problem.sentence())
