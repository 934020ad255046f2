"""What one mutated paste may do to a session: be judged, or be refused in words."""

from __future__ import annotations

import json

from memdiag.diagnosis.judge import judge
from memdiag.reading import load


def one(text: bytes) -> str:
    """Loads and judges a paste: "judged" or "refused". Raises whatever it should not."""
    try:
        runs = load.load(text)
    except load.Unreadable as wrong:
        assert wrong.problems and all(p.sentence() for p in wrong.problems)
        return "refused"
    for run in runs[:3]:
        verdict = judge(run)
        for finding in verdict.findings:
            assert 0 <= finding.probability <= 1 + 1e-9
        json.dumps(verdict.summary.text, allow_nan=False)
    return "judged"
