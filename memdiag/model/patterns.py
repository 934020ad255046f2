"""Patterns that are compiled when they are first looked for.

The library compiles in Python what it then matches in C: the patterns that clean a paste and read a
profile cost a fifth of a verdict's start, and a clean dump needs few of them.
"""

from __future__ import annotations

import re
from typing import Any, cast


class _Later:
    def __init__(self, pattern: str, flags: int) -> None:
        self.pattern, self.flags = pattern, flags

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        found = getattr(re.compile(self.pattern, self.flags), name)
        setattr(self, name, found)  # the next time it is simply there
        return found


def later(pattern: str, flags: int = 0) -> re.Pattern[str]:
    """What `re.compile` gives, but compiled at its first use; only then is it known to be right."""
    return cast("re.Pattern[str]", _Later(pattern, flags))
