"""A board as the text of its profile, in the short form; reading it gives the same board."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby, takewhile
from typing import Any

from memdiag.boards import baseline_text, row_links, written
from memdiag.model import AddressField, Board, Keepout, Rail, Site
from memdiag.model.toml_text import quoted

NO_REMARKS: Mapping[str, str] = {}


def to_toml(board: Board, remarks: Mapping[str, str] = NO_REMARKS) -> str:
    """The profile of a board that has a name, and whose links all name a lane. `remarks` are put
    as comments above the table or key of that name: `board`, `rail`, `defaults`, `sites`."""
    parts = [
        [*_remark(remarks, "board"), *_head(board)],
        [*_remark(remarks, "rail"), *_rails(board.rails)] if board.rails else [],
        _keepouts(board.keepouts),
        _address(board.address),
    ]
    rows = _rows(board.sites)
    shared = _shared(board.sites) if len(rows) > 1 else {}
    if shared:
        parts.append([*_remark(remarks, "defaults"), "[defaults]", *_keys(shared)])
    for number, row in enumerate(rows):
        own = {key: value for key, value in _row(row).items() if key not in shared}
        said = _remark(remarks, "sites") if number == 0 else []
        parts.append([*said, "[[sites]]", *_keys(own)])
    if board.baseline is not None:
        parts.append([baseline_text.to_toml(board.baseline).rstrip("\n")])
    return "\n\n".join("\n".join(lines) for lines in parts if lines) + "\n"


def _remark(remarks: Mapping[str, str], key: str) -> list[str]:
    return [f"# {line}" for line in remarks.get(key, "").splitlines()]


def _keys(values: Mapping[str, Any]) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in values.items() if value is not None]


def _value(value: Any) -> str:
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(_keys(value)) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    is_whole = isinstance(value, float) and value.is_integer() and abs(value) < 1e9
    return repr(int(value) if is_whole else value)


def _head(board: Board) -> list[str]:
    part = board.controller
    return _keys(
        {
            "board": board.name,
            "title": board.title,
            "memory": board.memory,
            "outline": board.outline,
            "controller": part and {"x": part[0], "y": part[1], "size": part[2]},
            "limits": None if board.thin_ui is None else {"thin_ui": board.thin_ui},
        }
    )


def _rails(rails: Iterable[Rail]) -> Iterator[str]:
    yield "rail = ["
    for r in rails:
        keys = {
            "name": r.name,
            "feeds": None if r.feeds == "packages" else r.feeds,
            "volts": r.volts,
            "healthy_ohms_min": r.healthy_ohms_min,
            "healthy_ohms_typical": r.healthy_ohms_typical,
            "inject_volts_max": r.inject_volts_max,
            "inject_amps_max": r.inject_amps_max,
        }
        yield f"  {_value(keys)},"
    yield "]"


def _keepouts(parts: Sequence[Keepout]) -> list[str]:
    lines = []
    for part in parts:
        keys = {
            "name": part.name,
            "x": part.x,
            "y": part.y,
            "size": part.size,
            "side": None if part.side == "top" else part.side,
            "why": part.why,
        }
        lines.append(f"  {_value(keys)},")
    return ["keepout = [", *lines, "]"] if lines else []


def _address(fields: Sequence[AddressField]) -> list[str]:
    lines = []
    for field in fields:
        bits = [group[0] if len(group) == 1 else group for group in field.bits]
        lines.append(f"  {_value({'name': field.name, 'bits': bits})},")
    return ["[address]", "fields = [", *lines, "]"] if lines else []


# --- the sites ----------------------------------------------------------------------------------


def _shared(sites: Sequence[Site]) -> dict[str, Any]:
    """What all sites have in common, as far as `[defaults]` can say it."""
    sizes, rails = {s.size for s in sites}, {s.rails for s in sites}
    found: dict[str, Any] = {}
    if len(sizes) == 1 and None not in sizes:
        found["size"] = sites[0].size
    if len(rails) == 1 and () not in rails:
        found["rails"] = _rails_of(sites)
    return found


def _rows(sites: Sequence[Site]) -> list[Sequence[Site]]:
    """The sites in rows as long as one table can say."""
    rows: list[Sequence[Site]] = []
    for _, alike in groupby(sites, _kind):
        rest = list(alike)
        while rest:
            longest = _longest(rest)
            rows.append(rest[:longest])
            rest = rest[longest:]
    return rows


def _longest(sites: Sequence[Site]) -> int:
    """How many of the sites, from the first on, one row can say."""
    lengths = range(2, len(sites) + 1)
    return max(takewhile(lambda n: row_links.said(sites[:n]) is not None, lengths), default=1)


def _kind(site: Site) -> tuple[Any, ...]:
    """What all sites of a row have alike."""
    gaps = tuple(v is None for v in (site.x, site.y, site.partition, site.clamshell))
    return site.size, site.side, gaps, row_links.kind(site)


def _row(sites: Sequence[Site]) -> dict[str, Any]:
    turns = [s.rotation for s in sites]
    return {
        "refs": _names([s.ref for s in sites]),
        "size": sites[0].size,
        "side": None if sites[0].side == "top" else sites[0].side,
        "x": _each([s.x for s in sites]),
        "y": _each([s.y for s in sites]),
        "rotation": None if set(turns) == {0.0} else _each(turns),
        "rails": _rails_of(sites) or None,
        "partition": _names(_each([s.partition for s in sites])),
        "clamshell": _names(_each([s.clamshell for s in sites])),
        "links": row_links.said(sites),
    }


def _rails_of(sites: Sequence[Site]) -> str | list[Any]:
    """The rails of all, or a list of lists that is shared out."""
    each = _each([s.rails for s in sites])
    if isinstance(each, list):
        return each
    return each[0] if len(each) == 1 else list(each)


def _each(values: list[Any]) -> Any:
    """The shortest list that is shared out to these values; one value where all are the same."""
    n = len(values)
    share = next(
        size
        for size in range(n, 0, -1)
        if n % size == 0 and written.shared(values[::size], n) == values
    )
    return values[0] if share == n else values[::share]


def _names(names: Any) -> Any:
    """Names as a range where they are one; a list where text would be taken for a range."""
    if names is None:
        return None
    each = names if isinstance(names, list) else [names]
    for text in (row_links.as_range(each), each[0] if len(each) == 1 else None):
        if text is not None and row_links.is_said_by(text, each):
            return text
    return each
