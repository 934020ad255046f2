"""Cases that take long, beside shorter ones of the same test."""

from __future__ import annotations

from typing import Any

import pytest


def lengthy(*values: Any) -> Any:
    """A case for `parametrize` that runs with --long, or where CI=true."""
    return pytest.param(*values, marks=pytest.mark.long)
