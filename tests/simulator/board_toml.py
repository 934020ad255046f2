"""The profile of a board, written out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from memdiag.model import AddressField, Board, Link, Rail, Site


def to_toml(board: Board) -> str:
    """The profile as the contract's TOML."""
    lines = [f"board = {_quoted(board.name or '')}"]
    lines.append(f"memory = {_quoted(board.memory or 'other')}")
    if board.title:
        lines.append(f"title = {_quoted(board.title)}")
    if board.controller:
        x, y, (w, h) = board.controller
        lines += ["", "[controller]", f"x = {x:.2f}", f"y = {y:.2f}", f"size = [{w:.2f}, {h:.2f}]"]
    if board.address:
        lines += ["", "[address]", "fields = [", *map(_field_toml, board.address), "]"]
    for rail in board.rails:
        lines += ["", "[[rail]]", *_rail_toml(rail)]
    for site in board.sites:
        lines += ["", "[[site]]", *_site_toml(site)]
    return "\n".join(lines) + "\n"


def _quoted(value: str) -> str:
    return '"' + value.replace('"', "'") + '"'


def _field_toml(field: AddressField) -> str:
    bits = ", ".join(str(list(group)) if len(group) > 1 else str(group[0]) for group in field.bits)
    return f"  {{name = {_quoted(field.name)}, bits = [{bits}]}},"


def _rail_toml(rail: Rail) -> Iterator[str]:
    yield f"name = {_quoted(rail.name)}"
    yield f"feeds = {_quoted(rail.feeds)}"
    for key in (
        "volts",
        "healthy_ohms_min",
        "healthy_ohms_typical",
        "inject_volts_max",
        "inject_amps_max",
    ):
        value = getattr(rail, key)
        if value is not None:
            yield f"{key} = {float(value):g}" if value % 1 else f"{key} = {value:.1f}"


def _site_toml(site: Site) -> Iterator[str]:
    yield f"ref = {_quoted(site.ref)}"
    if site.x is not None and site.y is not None:
        yield f"x = {site.x:.2f}"
        yield f"y = {site.y:.2f}"
    yield f"side = {_quoted(site.side)}"
    yield f"rotation = {site.rotation:.1f}"
    if site.size:
        yield f"size = [{site.size[0]:.1f}, {site.size[1]:.1f}]"
    yield f"rails = [{', '.join(map(_quoted, site.rails))}]"
    for key in ("partition", "clamshell"):
        value = getattr(site, key)
        if value is not None:
            yield f"{key} = {_quoted(value)}"
    yield f"links = [{', '.join(_links_toml(site.links))}]"


def _links_toml(links: Iterable[Link]) -> Iterator[str]:
    """Lanes of one channel and rank together."""
    grouped: dict[tuple[int | str, int, tuple[int, ...] | None], list[int]] = {}
    for link in links:
        grouped.setdefault((link.channel, link.rank, link.dqs), []).append(link.lane)
    for (channel, rank, dqs), lanes in grouped.items():
        name = str(channel) if isinstance(channel, int) else _quoted(channel)
        dq = f", dq = {list(dqs)}" if dqs is not None else ""
        yield f"{{channel = {name}, rank = {rank}, lanes = {lanes}{dq}}}"
