"""The server of the page: one process that listens, with the workers behind it."""

from __future__ import annotations

import socket
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import uvicorn
from msgspec.structs import replace

from memdiag.bench.app import application

if TYPE_CHECKING:
    from memdiag.bench.capture import Capture
    from memdiag.bench.config import Bench

_MOST_OPEN = 256  # connections at one time
_IDLE = 15  # seconds that a connection may say nothing between two requests


def listening(bench: Bench) -> tuple[socket.socket, Bench]:
    """A socket that listens at the bench's address, and the bench with the port it got (0 asks for
    any). Raises OSError where the address or port is not to be had."""
    family = socket.AF_INET6 if ":" in bench.address else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((bench.address, bench.port))
        listener.listen(_MOST_OPEN)
    except OSError:
        listener.close()
        raise
    return listener, replace(bench, port=listener.getsockname()[1])


def serve(
    bench: Bench,
    listener: socket.socket,
    ready: Callable[[], None],
    captures: Sequence[Capture] = (),
) -> None:
    """Serve until the process is asked to end, and listen to consoles as long. `ready` is called
    once it answers."""

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            ready()

    config = uvicorn.Config(
        application(bench, captures),
        log_level="error",
        access_log=False,
        server_header=False,
        timeout_keep_alive=_IDLE,
        limit_concurrency=_MOST_OPEN,
        # Nothing stands before this server: what a request says of where it came from is no more
        # than what it says.
        proxy_headers=False,
        ws="none",
        timeout_graceful_shutdown=5,
    )
    Server(config).run([listener])
