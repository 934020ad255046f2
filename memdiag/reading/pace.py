"""How much of a large text is read at once, by what the last pieces brought."""

from __future__ import annotations

from msgspec import Struct

from memdiag.reading.chunks import after_bytes, after_lines, with_its_rest

WINDOW = 2 << 20
"""Most bytes that are read in columns at once."""
_LEAST_WINDOW = 32 << 10
_PIECE = 64 << 10  # bytes of lines that are cleaned at once, where columns are never tried
_LINES = 128  # read one by one before columns are tried again
_MOST_LINES = 4096
_FEW_ROWS = 200  # columns that gave fewer were not worth it


class Pace(Struct):
    """`in_columns` says whether columns are tried at all, `pause` that they are not tried now.
    `most` is how many bytes are read in columns at once at most."""

    in_columns: bool
    most: int = WINDOW
    pause: bool = False
    _window: int = 0
    _lines: int = 0  # to be read one by one before columns are tried
    _poor: int = 0  # tries that were not worth it, one after the other

    def __post_init__(self) -> None:
        self._window = min(self.most, _LEAST_WINDOW)
        self._lines = self._few_lines()

    def _few_lines(self) -> int:
        return min(_LINES, max(1, self.most // 64))

    @property
    def is_full(self) -> bool:
        """Whether windows are as large as they get, so that looking ahead is worth it."""
        return self._window == self.most >= WINDOW

    def window_end(self, block: bytes, at: int) -> int:
        """The end of the lines that are read in columns at once."""
        return after_bytes(block, at, self._window)

    def lines_end(self, block: bytes, at: int) -> int:
        """The end of the lines that are cleaned at once and read one by one."""
        if self.in_columns:
            end = after_lines(block, at, self._lines)
        else:
            end = after_bytes(block, at, _PIECE)
        return with_its_rest(block, at, end)

    def after_lines(self) -> None:
        """Lines were read one by one: columns may be tried again."""
        self.pause, self._lines = False, self._few_lines()

    def after_columns(self, rows: int, *, to_the_end: bool) -> None:
        """So many rows were read in columns. Larger windows while they are used to their ends;
        smaller ones, and more lines one by one, where they are not."""
        if to_the_end:
            self._window = min(self.most, self._window * 4)
        elif self._window > _LEAST_WINDOW:
            self._window = max(_LEAST_WINDOW, self._window // 4)
        self._poor = 0 if to_the_end or rows >= _FEW_ROWS else self._poor + 1
        if self._poor:
            self.pause = True
            self._lines = min(_MOST_LINES, self._few_lines() << min(self._poor, 8))
