"""How much of a large text is read at once, by what the last pieces brought."""

from __future__ import annotations

from dataclasses import dataclass, field

WINDOW = 2 << 20
"""Most bytes that are read in columns at once."""
_LEAST_WINDOW = 32 << 10
_LINES = 128  # read one by one before columns are tried again
_MOST_LINES = 4096
_FEW_ROWS = 200  # columns that gave fewer were not worth it


@dataclass(slots=True)
class Pace:
    """`window` is how many bytes are read in columns at once, at `most`; `lines` how many lines
    are read one by one before columns are tried. `pause` says that they are not tried now."""

    most: int = WINDOW
    window: int = field(init=False)
    pause: bool = field(init=False, default=False)
    lines: int = field(init=False)
    _poor: int = field(init=False, default=0)  # tries that were not worth it, one after the other

    def __post_init__(self) -> None:
        self.window = min(self.most, _LEAST_WINDOW)
        self.lines = self._few_lines()

    def _few_lines(self) -> int:
        return min(_LINES, max(1, self.most // 64))

    @property
    def is_full(self) -> bool:
        """Whether windows are as large as they get, so that looking ahead is worth it."""
        return self.window == self.most >= WINDOW

    def after_lines(self) -> None:
        """Lines were read one by one: columns may be tried again."""
        self.pause, self.lines = False, self._few_lines()

    def after_columns(self, rows: int, *, to_the_end: bool) -> None:
        """So many rows were read in columns. Larger windows while they are used to their ends;
        smaller ones, and more lines one by one, where they are not."""
        if to_the_end:
            self.window = min(self.most, self.window * 4)
        elif self.window > _LEAST_WINDOW:
            self.window = max(_LEAST_WINDOW, self.window // 4)
        self._poor = 0 if to_the_end or rows >= _FEW_ROWS else self._poor + 1
        if self._poor:
            self.pause = True
            self.lines = min(_MOST_LINES, self._few_lines() << min(self._poor, 8))
