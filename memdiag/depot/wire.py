"""Messages between a keeper and its worker: a length and a pickle, over pipes that only these two
hold."""

from __future__ import annotations

import pickle
import struct
from typing import IO, Any

_LENGTH = struct.Struct("<Q")


def send(pipe: IO[bytes], message: object) -> None:
    """One message. Raises OSError where nobody is there to read it."""
    data = pickle.dumps(message, pickle.HIGHEST_PROTOCOL)
    pipe.write(_LENGTH.pack(len(data)))
    pipe.write(data)
    pipe.flush()


def receive(pipe: IO[bytes]) -> Any:
    """The next message. Raises EOFError where the other side is gone."""
    head = pipe.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        raise EOFError
    (length,) = _LENGTH.unpack(head)
    data = pipe.read(length)
    if len(data) < length:
        raise EOFError
    return pickle.loads(data)
