"""Who asks: one visitor a browser, known by a cookie that only this page sets.

A form carries a mark that is made from the cookie and a secret of this process (RFC 2104), so that
no other page can make one; whoever entered the access token carries a second cookie made likewise.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Mapping


class Visitors:
    """Cookies and marks of one page. `port` keeps the cookies of two pages on one PC apart, which
    browsers do not (RFC 6265 section 8.5)."""

    def __init__(self, port: int, token: str | None) -> None:
        self.cookie, self.entry = f"memdiag-visit-{port}", f"memdiag-entry-{port}"
        self._secret = secrets.token_bytes(32)
        self._token = token

    def known(self, cookies: Mapping[str, str]) -> str | None:
        """The visitor that the cookies name, None for a new one."""
        found = cookies.get(self.cookie, "")
        return found if len(found) == _LENGTH and found.isalnum() else None

    def new(self) -> str:
        return secrets.token_hex(_LENGTH // 2)

    def form_mark(self, visitor: str) -> str:
        """What a form of this visitor carries."""
        return self._made("form", visitor)

    def is_form_of(self, visitor: str | None, mark: object) -> bool:
        if visitor is None or not isinstance(mark, str):
            return False
        return _same(mark, self.form_mark(visitor))

    def entry_mark(self, visitor: str) -> str:
        """What is set once the visitor has shown the token."""
        return self._made("entry", visitor)

    def may_enter(self, visitor: str | None, cookies: Mapping[str, str], bearer: str) -> bool:
        """Whether the request shows the token, or has shown it before. Always where none is set."""
        if self._token is None or self.is_token(bearer):
            return True
        return visitor is not None and _same(cookies.get(self.entry, ""), self.entry_mark(visitor))

    def is_token(self, said: str) -> bool:
        return self._token is not None and _same(said, self._token)

    def _made(self, what: str, visitor: str) -> str:
        return hmac.new(self._secret, f"{what}:{visitor}".encode(), hashlib.sha256).hexdigest()


_LENGTH = 32


def _same(one: str, other: str) -> bool:
    """Compared in a time that tells nothing of where they differ."""
    return hmac.compare_digest(one.encode("utf-8", "replace"), other.encode("utf-8", "replace"))
