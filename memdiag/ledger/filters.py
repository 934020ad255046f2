"""What is looked for in the ledger."""

from __future__ import annotations

from datetime import date

from msgspec import Struct


class Filter(Struct, frozen=True):
    """What is looked for; None and "" are anything. Upper and lower case are alike. `since` and
    `until` are days, both of them in; `text` stands anywhere in ticket, serial, run, answer or
    remark."""

    ticket: str | None = None
    serial: str | None = None
    board: str | None = None
    site: str | None = None
    cause: str | None = None
    action: str | None = None
    since: date | None = None
    until: date | None = None
    text: str | None = None

    def __bool__(self) -> bool:
        return any(getattr(self, name) for name in self.__struct_fields__)


def day(text: str) -> date:
    """A day such as 2031-03-05. Raises ValueError with what was expected."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"a day such as 2031-03-05, not {text!r}") from None
