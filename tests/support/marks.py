"""Cases that take long, beside shorter ones of the same test; and how much is drawn at random."""

from __future__ import annotations

import os
from typing import Any

import pytest

LONG = "MEMDIAG_LONG"
"""Set where what takes long runs as well: with --long, and where CI=true."""


def lengthy(*values: Any) -> Any:
    """A case for `parametrize` that runs with --long, or where CI=true."""
    return pytest.param(*values, marks=pytest.mark.long)


def examples(most: int) -> int:
    """How many examples a property is tried on: a third, but where what takes long runs."""
    return most if os.environ.get(LONG) else max(most // 3, 10)
