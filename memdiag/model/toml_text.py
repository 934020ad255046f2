"""TOML that somebody wrote by hand, or meant ill: read, or refused in words."""

from __future__ import annotations

import re
import tomllib
from typing import Any

MOST_PARTS = 200
"""Parts of a dotted key at most. tomllib takes time with the square of them."""

_BETWEEN_KEYS = re.compile(r"[=,{}\[\]]")


class BadToml(ValueError):
    """No TOML, or none that can be read; the text of the error says why, and where if it can."""


def loads(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises BadToml."""
    try:
        if any(map(_too_long, text.splitlines())):
            raise RecursionError
        return tomllib.loads(text)
    except RecursionError:
        raise BadToml("it is nested too deeply") from None
    except tomllib.TOMLDecodeError as wrong:
        raise BadToml(str(wrong)) from None
    except ValueError:
        raise BadToml("a number in it has too many digits") from None


def _too_long(line: str) -> bool:
    if line.count(".") <= MOST_PARTS or line.lstrip().startswith("#"):
        return False
    return any(key.count(".") > MOST_PARTS for key in _BETWEEN_KEYS.split(line))
