"""What is answered to `memdiag board new`, as options and at the terminal alike: each text read, or
refused with a sentence."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, get_args

from memdiag.boards import written
from memdiag.boards.centroid import Spot
from memdiag.model import Channel, Link

_NUMBER = r"[-+]?[0-9]*[.,]?[0-9]+"
_SIZE = re.compile(rf"({_NUMBER})\s*[x*×]\s*({_NUMBER})")
_APART = re.compile(r"\s*[,;]\s+|\s*;\s*|\s+")
"""What parts the numbers of a place, where a comma inside one is a decimal comma; where nothing of
the kind stands there, commas part them."""
_LINK = re.compile(r"(.+?)(?:/([0-9]{1,2}))?:([-0-9, ]+)")
Controller = tuple[str | Spot, tuple[float, float]]
"""Where the controller is, or the designator that a centroid file has it under, and its size."""


def name(text: str) -> str:
    if not text.strip():
        raise ValueError("a name has at least one letter")
    return text.strip()


def memory(text: str) -> str:
    from memdiag.boards.profile_form import Memory

    word = written.as_word(text)
    if word not in get_args(Memory):
        raise ValueError(f"there is no memory {text!r}: it is one of {', '.join(get_args(Memory))}")
    return str(word)


def names(text: str) -> tuple[str, ...]:
    """`U1-U12, U15`. Raises ValueError."""
    return tuple(dict.fromkeys(written.listed(text)))


def channels(text: str) -> str:
    if written.count(text) is None:
        written.listed(text)
    return text


def lanes(text: str) -> str:
    if not isinstance(written.as_numbers(text), list) and written.count(text) is None:
        raise ValueError('lanes are written as in "0-1", "0, 2" or "from 0, 1 each"')
    return text


def size(text: str) -> tuple[float, float]:
    hit = _SIZE.fullmatch(text.strip().casefold().removesuffix("mm").strip())
    if hit is None:
        raise ValueError("a size is written as in 12x14, in mm")
    return _float(hit[1]), _float(hit[2])


def place(text: str) -> Spot:
    """`23,62`, `23,62,90`, `23,62,90,bottom`, or `23,5 62`."""
    parts = _APART.split(text.strip())
    parts = text.strip().split(",") if len(parts) == 1 else parts
    side = parts.pop().casefold() if parts[-1].casefold() in ("top", "bottom") else None
    if len(parts) not in (2, 3) or not all(re.fullmatch(_NUMBER, part) for part in parts):
        raise ValueError("a place is written as in 23,62 or 23,62,90,bottom: mm, degrees, side")
    x, y, *turn = map(_float, parts)
    return Spot(x, y, turn[0] % 360 if turn else None, side)


def controller(text: str) -> Controller:
    """`55,45:35x35`, or `U100:35x35` where a centroid file has its place."""
    where, colon, large = text.rpartition(":")
    if not colon or not where.strip():
        raise ValueError("the controller is written as in 55,45:35x35 or U100:35x35")
    is_ref = re.search("[A-Za-z]", where) is not None
    return where.strip() if is_ref else place(where), size(large)


def link(text: str) -> tuple[Link, ...]:
    """`0:0-1`, `A/1:3`: a channel, its rank where it has several, its lanes."""
    hit = _LINK.fullmatch(text.strip())
    found = written.as_numbers(hit[3]) if hit else None
    if hit is None or not isinstance(found, list):
        raise ValueError("links are written as in 0:0-1, or A/1:3 for rank 1 of channel A")
    channel: Channel = int(hit[1]) if re.fullmatch("[0-9]{1,5}", hit[1]) else hit[1]
    return tuple(Link(channel, int(hit[2] or 0), lane) for lane in found)


def rails(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(part for part in re.split(r"[\s,]+", text.strip()) if part))


def blocks(text: str) -> int:
    if not re.fullmatch("[0-9]{1,3}", text.strip()):
        raise ValueError("that many packages share a partition: a number, 0 for no partitions")
    return int(text)


def _float(text: str) -> float:
    return float(text.replace(",", "."))


READERS: Mapping[str, Callable[[str], Any]] = {
    "name": name,
    "memory": memory,
    "sites": names,
    "channels": channels,
    "lanes": lanes,
    "link": link,
    "rails": rails,
    "size": size,
    "place": place,
    "outline": size,
    "controller": controller,
}
"""By the key of what is asked for."""


def of_site(read: Callable[[str], Any]) -> Callable[[str], tuple[str, Any]]:
    """Reads `U1=...`."""

    def split(text: str) -> tuple[str, Any]:
        ref, equals, rest = text.partition("=")
        if not equals or not ref.strip():
            raise ValueError("it begins with a designator, as in U1=...")
        return ref.strip(), read(rest)

    return split


def pairs(text: str) -> dict[str, str]:
    """`U1-U4=U5-U8`: each of the first with the one across the board. Raises ValueError."""
    one, _, two = text.partition("=")
    above, below = names(one), names(two)
    if len(above) != len(below):
        raise ValueError(f"{len(above)} packages cannot be paired with {len(below)}")
    return dict(zip(above, below, strict=True))
