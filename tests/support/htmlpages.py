"""Results as HTML, as the commands write them."""

from __future__ import annotations

from collections.abc import Sequence

from memdiag.model import Verdict
from memdiag.model.case import CaseReport
from memdiag.model.comparison import Comparison
from memdiag.reports import case_page as cases
from memdiag.reports import comparison_page as comparisons
from memdiag.reports import verdict_page as verdicts_
from memdiag.reports.formats import render


def verdict_page(verdicts: Sequence[Verdict], comparison: Comparison | None = None) -> str:
    below = comparison and comparisons.comparison_part(comparison, crowded=True)
    return render(verdicts_.verdict_page(verdicts, below), "html")


def case_page(report: CaseReport) -> str:
    return render(cases.case_page(report), "html")


def comparison_page(comparison: Comparison) -> str:
    return render(comparisons.comparison_page(comparison), "html")
