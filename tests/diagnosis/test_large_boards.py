"""Memory of a judgement on boards far larger than any bench sees: an input may claim any size.

Peak resident memory of a process that does nothing else (`resource`), the interpreter and the
libraries included. What once was held for every pair of sites and states took gigabytes.
"""

from __future__ import annotations

import pytest

from tests.support.large import judged_apart
from tests.support.marks import lengthy


@pytest.mark.parametrize(("sites", "most_mb"), [(64, 250), (256, 400), lengthy(1024, 1000)])
def test_memory_grows_with_what_is_said(sites: int, most_mb: int) -> None:
    found = judged_apart(sites)
    assert found["peak_mb"] < most_mb
    assert not found["clear"], "a step fails, and most of the board was not heard"
    assert 0 <= found["left_out"] < 0.01
