"""TOML that somebody wrote by hand, or meant ill: read, or refused in words."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from memdiag.model.problems import Position

MOST_PARTS = 200
"""Parts of a dotted key at most. tomllib takes time with the square of them."""

_BETWEEN_KEYS = re.compile(r"[=,{}\[\]]")


_WHERE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


class BadToml(ValueError):
    """No TOML, or none that can be read; the text of the error says why, `position` where, None
    where that cannot be said."""

    def __init__(self, reason: str, position: Position | None = None) -> None:
        self.position = position
        super().__init__(reason)


def loads(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises BadToml."""
    try:
        if any(map(_too_long, text.splitlines())):
            raise RecursionError
        return tomllib.loads(text)
    except RecursionError:
        raise BadToml("it is nested too deeply") from None
    except tomllib.TOMLDecodeError as wrong:
        raise _located(str(wrong), text) from None
    except ValueError:
        raise BadToml("a number in it has too many digits") from None


def quoted(text: str) -> str:
    """A text as TOML writes it, on one line."""
    # TOML's basic strings are JSON's, and DEL must be escaped too.
    from json import dumps

    return dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _located(message: str, text: str) -> BadToml:
    """What tomllib says, and the place that stands behind it in words."""
    hit = _WHERE.search(message)
    if hit is None:
        return BadToml(message)
    if hit[1]:
        return BadToml(message[: hit.start()], Position(int(hit[1]), int(hit[2])))
    lines = text.rstrip().split("\n")
    return BadToml(
        f"{message[: hit.start()]}, at its end", Position(len(lines), len(lines[-1]) + 1)
    )


def _too_long(line: str) -> bool:
    if line.count(".") <= MOST_PARTS or line.lstrip().startswith("#"):
        return False
    return any(key.count(".") > MOST_PARTS for key in _BETWEEN_KEYS.split(line))
