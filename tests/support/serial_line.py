"""A serial line as its wires have it, and a receiver that may sample it at another rate.

A character is a start bit (low), eight data bits, the least significant first, and a stop bit
(high); between characters the line is high. A receiver waits for it to fall, and samples in the
middle of the bits that it expects (common practice of asynchronous receivers, no source). A
character whose stop bit is low is handed on as it was sampled, or as a NUL (termios(3), INPCK and
PARMRK).
"""

from __future__ import annotations

from bisect import bisect_right


def received(
    data: bytes, sent_at: int, heard_at: int, *, nul: bool = False, idle: int = 0
) -> bytes:
    """What a receiver at `heard_at` baud makes of `data` sent at `sent_at`, with `idle` bits of
    pause after each line."""
    level = _Wire(data, sent_at, idle)
    bit, now, found = 1 / heard_at, 0.0, bytearray()
    while (start := level.falls_after(now)) is not None:
        samples = [level.at(start + (n + 0.5) * bit) for n in range(10)]
        value = sum(high << n for n, high in enumerate(samples[1:9]))
        now = start + 9.5 * bit
        if samples[0]:
            now = start + 0.5 * bit  # a glitch: no start bit
            continue
        found.append(0 if nul and not samples[9] else value)
    return bytes(found)


class _Wire:
    """The level of the line over time: high before the first character and after the last."""

    def __init__(self, data: bytes, baud: int, idle: int) -> None:
        bits = [1]
        for byte in data:
            bits += [0, *((byte >> n) & 1 for n in range(8)), 1]
            bits += [1] * (idle if byte == 10 else 0)
        self._baud, self._bits = baud, bits
        self._falls = [n for n in range(1, len(bits)) if bits[n - 1] and not bits[n]]

    def at(self, seconds: float) -> int:
        n = int(seconds * self._baud)
        return self._bits[n] if n < len(self._bits) else 1

    def falls_after(self, seconds: float) -> float | None:
        """When the receiver takes the next start: at once where the line is low already."""
        if seconds and not self.at(seconds):
            return seconds
        n = bisect_right(self._falls, int(seconds * self._baud))
        return self._falls[n] / self._baud + 1e-12 if n < len(self._falls) else None
