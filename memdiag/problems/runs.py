"""Problems of a whole run: what contradicts itself, the profile or the declared stage."""

from __future__ import annotations

from memdiag.problems.types import Kind, Severity  # noqa: F401

KINDS: dict[str, Kind] = {
}
