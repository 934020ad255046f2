"""A place on a board: what a row, a count, a finding or a change speaks of.

Every field may be None, "not said": a place with nothing said is the whole board. A row names a
site, channel, rank, lane or data line; a finding may also name a rail or a partition, which stand
for the sites that share them, or where no profile tells what they share, those sites themselves.
The questions that places are asked stand here, each once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Protocol

from msgspec import Struct
from msgspec.structs import replace

from memdiag.model.in_short import sites_in_short

Channel = int | str
"""A channel's name: a number where it is written as one, else the word."""

LANE_LINES = 8
"""Data lines of a byte lane."""


class _Linked(Protocol):
    def at(self, place: Place) -> bool: ...


class _Site(Protocol):
    @property
    def ref(self) -> str: ...
    @property
    def links(self) -> Sequence[_Linked]: ...
    @property
    def rails(self) -> Sequence[str]: ...
    @property
    def partition(self) -> str | None: ...


class Sited(Protocol):
    """A board, as far as a place asks it (`board.Board`)."""

    @property
    def sites(self) -> Sequence[_Site]: ...


class Place(Struct, frozen=True):
    """Where something is. `dq` holds two lines for a bridge; `group` sites that share something
    without a name, all of them: one that names a group names no site."""

    site: str | None = None
    channel: Channel | None = None
    rank: int | None = None
    lane: int | None = None
    dq: int | tuple[int, int] | None = None
    rail: str | None = None
    partition: str | None = None
    group: tuple[str, ...] | None = None

    # --- parts of it ------------------------------------------------------------------------

    @property
    def link(self) -> Place:
        """The site, channel, rank and lane of it: what rows are grouped by."""
        if self.dq is None and self.rail is None and self.partition is None and not self.group:
            return self
        return Place(self.site, self.channel, self.rank, self.lane)

    @property
    def lines(self) -> tuple[int, ...]:
        """The data lines it names; none where it names none."""
        if self.dq is None:
            return ()
        return self.dq if isinstance(self.dq, tuple) else (self.dq,)

    @property
    def line(self) -> int | None:
        """The data line it names, None where it names none or two."""
        return self.dq if isinstance(self.dq, int) else None

    @property
    def is_board(self) -> bool:
        """Whether nothing is said: the whole board."""
        return self == WHOLE_BOARD

    # --- one place and another --------------------------------------------------------------

    def lane_meets(self, other: Place) -> bool:
        """Whether both can be one lane, whatever their sites and lines."""
        return (
            (self.channel is None or other.channel is None or self.channel == other.channel)
            and (self.rank is None or other.rank is None or self.rank == other.rank)
            and (self.lane is None or other.lane is None or self.lane == other.lane)
        )

    def meets(self, other: Place) -> bool:
        """Whether both can be one place, as far as both are said: site, channel, rank, lane and
        line. Rails and partitions are not held against each other: a site may lie on several."""
        return (
            (self.site is None or other.site is None or self.site == other.site)
            and (self.group is None or other.site is None or other.site in self.group)
            and (other.group is None or self.site is None or self.site in other.group)
            and (not self.group or not other.group or not set(self.group).isdisjoint(other.group))
            and self.lane_meets(other)
            and (self.dq is None or other.dq is None or not set(self.lines).isdisjoint(other.lines))
        )

    def covers(self, other: Place) -> bool:
        """Whether the other is this place or a part of it, by what is said of both."""
        if self.group is not None and other.site in self.group:
            return replace(self, group=None).covers(other)
        return all(
            mine is None or mine == theirs for mine, theirs in zip(self, other, strict=True)
        ) or (
            self.dq is not None
            and bool(other.lines)
            and set(other.lines) <= set(self.lines)
            and replace(self, dq=None).covers(other)
        )

    def common(self, other: Place) -> Place:
        """What is the same in both."""
        return Place(*(a if a == b else None for a, b in zip(self, other, strict=True)))

    def __iter__(self) -> Iterator[Any]:
        """Its fields, in order."""
        yield self.site
        yield self.channel
        yield self.rank
        yield self.lane
        yield self.dq
        yield self.rail
        yield self.partition
        yield self.group

    # --- on a board -------------------------------------------------------------------------

    def sites(self, board: Sited) -> tuple[str, ...]:
        """The designators of the sites it touches, in the board's order: the named one, else
        those of its rail, partition or group that own a link of it; all of them for the whole
        board."""
        if self.site is not None:
            return (self.site,)
        at_link = not self.link.is_board or self.dq is not None
        return tuple(
            site.ref
            for site in board.sites
            if (self.rail is None or self.rail in site.rails)
            and (self.partition is None or self.partition == site.partition)
            and (self.group is None or site.ref in self.group)
            and (not at_link or any(link.at(self) for link in site.links))
        )

    def touches(self, other: Place, board: Sited) -> bool:
        """Whether both act on some site, at links that can be the same."""
        return self.meets(other) and not set(self.sites(board)).isdisjoint(other.sites(board))

    def speaks_of(self, link: Place, board: Sited) -> bool:
        """Whether what is said here is said of that link, channel or site, too. The whole board
        speaks of every one, also of one that the board does not have."""
        named = self.site is not None and link.site is not None
        if (named and self.site != link.site) or not self.lane_meets(link):
            return False
        grouped = self.rail is not None or self.partition is not None or self.group is not None
        if not grouped and (self.site is None or link.site is not None):
            return True
        theirs = link.sites(board)
        return bool(theirs) and set(theirs) <= set(self.sites(board))

    # --- in words ---------------------------------------------------------------------------

    def words(self, channel: str = "channel", *, rank_zero: bool = False) -> str:
        """What is said of it, '' where nothing is. Rank 0 goes without saying where not wanted."""
        parts = [] if self.site is None else [self.site]
        if self.group is not None:
            parts.append(f"the group {sites_in_short(self.group)}")
        for name in ("rail", "partition", "channel", "rank", "lane", "dq"):
            value = getattr(self, name)
            if value is not None and (rank_zero or name != "rank" or value != 0):
                shown = " and ".join(map(str, value)) if isinstance(value, tuple) else value
                parts.append(f"{channel if name == 'channel' else name} {shown}")
        return " ".join(parts)

    def __str__(self) -> str:
        """`U6 channel 3 lane 1`; a line of no one site or lane is that of all of them."""
        elsewhere = self.site is None and self.group is None and self.lane is None
        of_all = self.dq is not None and elsewhere
        return self.words() + (" of every lane" if of_all else "") or "the board"

    def as_row(self) -> str:
        """As a row of a dump names it: `U6 ch 3 rank 0 lane 1`."""
        return self.words("ch", rank_zero=True) or "board"


WHOLE_BOARD = Place()
