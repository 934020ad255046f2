"""Text from a dump made safe to show: what cannot be seen is made visible."""

from __future__ import annotations

import json
import re
from typing import Any

# Control characters (XML 1.0 section 2.2 forbids most of them), lone surrogates, the two
# non-characters, the marks that turn the direction of writing round and the letters that are never
# shown (Unicode TR 36): a dump has no use for them, and each can make a line look like something it
# is not, or a terminal do something.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f"
    "\ud800-\udfff\ufeff\ufff9-\ufffb\ufffe\uffff\U000e0000-\U000e007f]"
)


def printable(text: str) -> str:
    """The text with each unseen character shown as the replacement character."""
    return _UNSEEN.sub("\ufffd", text)


def json_text(document: Any) -> str:
    """A document as JSON (RFC 8259), its unseen characters written as escapes: it says the same.

    Raises ValueError for a number that is none or endless: a document never holds one.
    """
    made = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    return _UNSEEN.sub(lambda hit: json.dumps(hit.group())[1:-1], made)


def clip(text: str, width: int) -> str:
    """The text in at most so many characters."""
    return text if len(text) <= width else text[: width - 1] + "…"
