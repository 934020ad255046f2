"""A page of a repair, and what a customer is told of it."""

from __future__ import annotations

from collections.abc import Callable

from msgspec import Struct

from memdiag.reports.page import Page


class Letter(Struct, frozen=True):
    """What a customer is told, in sentences without a figure of chance: `state` says how it
    stands, `about` which board, and each chapter is a title and its sentences."""

    state: str
    about: str
    chapters: tuple[tuple[str, tuple[str, ...]], ...]


class RepairPage(Page, frozen=True):
    """A page of a repair, or of a step of one, that a customer can be told of: `letter` makes the
    report."""

    letter: Callable[[], Letter] = lambda: Letter("", "", ())
