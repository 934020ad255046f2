"""Text from a dump made safe to show: what cannot be seen is made visible."""

from __future__ import annotations

import re

# Control characters (XML 1.0 section 2.2 forbids most of them), lone surrogates, the two
# non-characters, and the marks that turn the direction of writing round (Unicode TR 36): a dump
# has no use for them, and each can make a line look like something it is not.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u00ad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069"
    "\ud800-\udfff\ufeff\ufff9-\ufffb\ufffe\uffff]"
)


def printable(text: str) -> str:
    """The text with each unseen character shown as the replacement character."""
    return _UNSEEN.sub("\ufffd", text)


def clip(text: str, width: int) -> str:
    """The text in at most so many characters."""
    return text if len(text) <= width else text[: width - 1] + "…"
