"""Problems with a layout grammar."""

from __future__ import annotations

from memdiag.problems.types import Kind, Severity  # noqa: F401

KINDS: dict[str, Kind] = {
}
