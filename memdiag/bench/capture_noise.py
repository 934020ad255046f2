"""Whether what a console sends is text: at a wrong baud rate most of it is none."""

from __future__ import annotations

import re

from msgspec import Struct, field

BLOCK = 256
"""Bytes that are judged together."""
LEAST = 32
"""Bytes that are judged at a pause, where no whole block has come."""
TOO_MANY = 0.1
"""The share of bytes that are no text from which on a block is none: a receiver at half the rate
makes it a fifth and more of dumps, and consoles print none."""
FEW = 0.03
"""The share below which a block is text again."""
JUNK = 0.2
"""The share from which on a line is not held before a dump. The reader refuses texts from there
on."""

# What no console prints: control characters but for bell, backspace, tab, line ends, form feed and
# escape, and bytes that are no UTF-8. A NUL is what a line driver hands on for a byte without its
# stop bit (termios(3), PARMRK).
_NO_TEXT = re.compile("[\x00-\x06\x0e-\x1a\x1c-\x1f\x7f\udc80-\udcff]")


def share(data: bytes) -> float:
    """The share of the bytes that are no text."""
    found = _NO_TEXT.findall(data.decode("utf-8", "surrogateescape"))
    return len(found) / len(data) if data else 0.0


class Legibility(Struct):
    """Judges what comes block by block, wherever the pieces are cut."""

    garbled: bool = False
    _block: bytearray = field(default_factory=bytearray)

    def feed(self, data: bytes) -> list[float]:
        """The share of each block with which text turns into garble, or back."""
        turned = []
        for at in range(0, len(data), BLOCK):
            self._block += data[at : at + BLOCK]
            while len(self._block) >= BLOCK:
                turned += self._judge(bytes(self._block[:BLOCK]))
                del self._block[:BLOCK]
        return turned

    def pause(self) -> list[float]:
        """The same for what came since the last block; nothing comes for the time being."""
        block = bytes(self._block)
        self._block.clear()
        return self._judge(block) if len(block) >= LEAST else []

    def _judge(self, block: bytes) -> list[float]:
        found = share(block)
        if found >= TOO_MANY if not self.garbled else found < FEW:
            self.garbled = not self.garbled
            return [found]
        return []
