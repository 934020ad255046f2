"""memdiag: from a memory training dump to a verdict a repair technician can act on.

>>> import memdiag
>>> runs = memdiag.load("...")          # text, bytes or a path
>>> verdict = memdiag.judge(runs[0])

Names are imported on first use, so that a command which needs little pays little.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "load": "memdiag.reading.load",
    "Run": "memdiag.model",
    "Board": "memdiag.model",
    "frame": "memdiag.reports.frame",
    "judge": "memdiag.diagnosis.judge",
    "compare": "memdiag.repair.comparison",
}

__all__ = ["Board", "Run", "__version__", "compare", "frame", "judge", "load"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'memdiag' has no attribute {name!r}")
