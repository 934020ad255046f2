"""What one bench page is started with: where tickets are, who may ask, and its bounds."""

from __future__ import annotations

from pathlib import Path

from msgspec import Struct, field

from memdiag.diagnosis.settings import Settings

PORT = 8414
LOOPBACK = "127.0.0.1"
LEAST_TOKEN = 16
"""Characters of an access token at the least."""


class Limits(Struct, frozen=True):
    """Bounds of one request. `body` in bytes; `arrival` is how long a body may take to arrive,
    `judging` and `filing` how long its work may take (s); `waiting` how many requests may wait for
    a worker; `memory` what a worker may take (bytes); `held` what pastes are kept in all."""

    body: int = 64 << 20
    arrival: float = 30.0
    judging: float = 20.0
    filing: float = 90.0
    waiting: int = 64
    memory: int = 2 << 30
    held: int = 256 << 20


class Bench(Struct, frozen=True):
    """`folder` holds the tickets and `ledger` names their index as for `memdiag ledger`; `address`
    and `port` are listened at. `token`: what a visitor must show, None where only this PC asks."""

    folder: Path
    ledger: str | None = None
    shop: Settings | None = None
    address: str = LOOPBACK
    port: int = PORT
    token: str | None = None
    limits: Limits = field(default_factory=Limits)

    @property
    def hosts(self) -> frozenset[str]:
        """The names that a request may call this page by: no other name leads a browser here."""
        names = {LOOPBACK, "localhost", "[::1]", _host(self.address)}
        return frozenset(f"{name}:{self.port}" for name in names)

    @property
    def served(self) -> str:
        """Where the page is."""
        return f"http://{_host(self.address)}:{self.port}/"


def _host(address: str) -> str:
    """An address as a URL has it (RFC 3986 section 3.2.2: IPv6 in brackets)."""
    return f"[{address}]" if ":" in address else address.lower()
