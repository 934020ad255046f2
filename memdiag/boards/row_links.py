"""How the links of a row of sites are said in one line: the opposite of counting them out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from msgspec import Struct

from memdiag.boards import written
from memdiag.model import Channel, Link, Site


class _Block(Struct, frozen=True):
    """Links of one site that one table of `links` can say: each lane of each channel."""

    channels: tuple[Channel, ...]
    rank: int
    lanes: tuple[int | None, ...]
    dqs: tuple[int, ...] | None


def kind(site: Site) -> tuple[Any, ...]:
    """What the links of all sites of a row have alike: how many there are of what."""
    return tuple((len(b.channels), len(b.lanes), b.dqs) for b in _blocks(site.links))


def said(sites: Sequence[Site]) -> dict[str, Any] | list[dict[str, Any]] | None:
    """The value of `links` of a row of sites of one kind; None where one cannot say it."""
    made = []
    for blocks in zip(*(_blocks(site.links) for site in sites), strict=True):
        channels = _channels([b.channels for b in blocks])
        lanes = _lanes(blocks)
        if channels is None or lanes is None:
            return None
        ranks = [b.rank for b in blocks]
        made.append(
            {
                "channel": channels,
                "lanes": lanes,
                "rank": None if set(ranks) == {0} else ranks[0] if len(set(ranks)) == 1 else ranks,
                "dq": None if blocks[0].dqs is None else list(blocks[0].dqs),
            }
        )
    return made[0] if len(made) == 1 else made


def as_range(names: Sequence[str]) -> str | None:
    """The names with those that follow each other joined: `U1-U3, U7`."""
    parts: list[list[str]] = []
    for name in names:
        if parts and _is_next(parts[-1][-1], name):
            parts[-1].append(name)
        else:
            parts.append([name])
    return ", ".join(
        f"{part[0]}-{part[-1]}" if len(part) > 2 else ", ".join(part) for part in parts
    )


def is_said_by(text: str, names: Sequence[str]) -> bool:
    """Whether counting the text out gives these names."""
    try:
        return written.listed(text) == list(names)
    except written.Unclear:
        return False


def _is_next(one: str, two: str) -> bool:
    try:
        return written.following(one, 1) == two
    except written.Unclear:
        return False


def _blocks(links: Sequence[Link]) -> list[_Block]:
    """Lanes of one channel together, and then channels that follow each other with the same
    lanes."""
    found: list[_Block] = []
    for (channel, rank, dqs), own in groupby(links, lambda k: (k.channel, k.rank, k.dqs)):
        block = _Block((channel,), rank, tuple(k.lane for k in own), dqs)
        last = found[-1] if found else None
        if (
            last is not None
            and (last.rank, last.lanes, last.dqs) == (rank, block.lanes, dqs)
            and written.is_countable(str(channel))
            and _is_next(str(last.channels[-1]), str(channel))
            and isinstance(channel, type(last.channels[-1]))
        ):
            found[-1] = _Block((*last.channels, channel), rank, block.lanes, dqs)
        else:
            found.append(block)
    return found


def _channels(each: Sequence[tuple[Channel, ...]]) -> Any:
    """The value of `channel` for the channels of each site; None where none can say it."""
    if len(each) > 1 or len(each[0]) > 1:
        first, own = str(each[0][0]), len(each[0])
        for step in _steps(each, own) if written.is_countable(first) else ():
            count = written.Count(first, own, step)
            if _counts(count, each):
                return f"from {first}, {own} each" + ("" if step == own else f", {step} apart")
    if len(each[0]) > 1:
        return None
    names = [own[0] for own in each]
    if len(set(names)) > 1:
        return names
    text = names[0]
    is_plain = not isinstance(text, str) or (
        is_said_by(text, [text]) and not written.is_count(text)
    )
    return text if is_plain else [text]


def _steps(each: Sequence[tuple[Channel, ...]], own: int) -> Sequence[int]:
    """How far apart the first channels of two sites may be: what is tried."""
    if len(each) == 1:
        return (own,)
    one, two = each[0][0], each[1][0]
    if isinstance(one, int) and isinstance(two, int):
        return (two - one,) if 0 < two - one <= written.MOST else ()
    return tuple(range(1, 2 * own + 2))


def _counts(count: written.Count, each: Sequence[tuple[Channel, ...]]) -> bool:
    """Whether a count gives these channels, as they are read again: numbers as numbers."""
    from memdiag.boards.profile_sites import as_channel

    try:
        return all(tuple(map(as_channel, count.of(i))) == own for i, own in enumerate(each))
    except written.Unclear:
        return False


def _lanes(blocks: Sequence[_Block]) -> Any:
    """The value of `lanes` for the lanes of each site; None where none can say it."""
    each = [b.lanes for b in blocks]
    if len(set(each)) == 1:
        return list(each[0])
    order: dict[tuple[Any, ...], int] = {}
    nth = []
    for block in blocks:
        key = (*block.channels, block.rank)
        nth.append(order.get(key, 0))
        order[key] = nth[-1] + 1
    first, own = each[0][0], len(each[0])
    second = next((lanes[0] for n, lanes in zip(nth, each, strict=True) if n == 1), None)
    if first is None or second is None or second < first:
        return None
    step = second - first
    counted = [tuple(first + step * n + k for k in range(own)) for n in nth]
    if counted != each:
        return None
    return f"from {first}, {own} each" + ("" if step == own else f", {step} apart")
