"""A small SVG writer: an element is a tag, its attributes and its children; all text is escaped.

Only presentation attributes are used, never `style`, so that a picture may stand in a page whose
Content-Security-Policy allows no inline style.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape  # that of xml.sax imports urllib, which every command would pay for

from memdiag.reports.plain import printable

_NUMBERS = (int, float)


class Drawn(str):
    """SVG source, already escaped."""

    __slots__ = ()

    def __html__(self) -> str:
        """What a template that escapes asks for: this needs no escaping."""
        return str(self)


def element(tag: str, *children: str | Iterable[Drawn], **attributes: object) -> Drawn:
    """`<tag ...>children</tag>`. A plain str child is text and is escaped; attributes that are
    None are left out, `_` in a name is `-`, and a trailing `_` keeps Python words apart."""
    parts = [f"<{tag}"]
    for name, value in attributes.items():
        if value is None:
            continue
        text = f"{round(value, 3):g}" if isinstance(value, _NUMBERS) else printable(str(value))
        parts.append(f' {name.rstrip("_").replace("_", "-")}="{escape(text)}"')
    inside = "".join(_child(child) for child in children)
    parts.append(f">{inside}</{tag}>" if inside else "/>")
    return Drawn("".join(parts))


def _child(child: str | Iterable[Drawn]) -> str:
    if isinstance(child, Drawn):
        return child
    if isinstance(child, str):
        return escape(printable(child), quote=False)
    return "".join(child)


def shape(d: str, **look: object) -> Drawn:
    """A path."""
    return element("path", d=d, **look)


def line(x1: float, y1: float, x2: float, y2: float, **look: object) -> Drawn:
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, **look)


def box(x: float, y: float, width: float, height: float, *children: Drawn, **look: object) -> Drawn:
    return element("rect", *children, x=x, y=y, width=width, height=height, **look)


def picture(
    width: float, height: float, *children: str | Iterable[Drawn], role: str = "img"
) -> Drawn:
    """A picture that may stand by itself, 1 unit = 1 mm or 1 pixel. `role`: `img`, or `group` where
    there are links in it."""
    size = {"viewBox": f"0 0 {width:g} {height:g}", "width": width, "height": height}
    return element("svg", *children, xmlns="http://www.w3.org/2000/svg", **size, role=role)


def text(
    x: float,
    y: float,
    words: str,
    size: float,
    *,
    anchor: str = "start",
    weight: str = "normal",
    fill: str = "#111",
    halo: str | None = None,
) -> Drawn:
    """Words with their baseline at y; `halo` paints a rim so that they stay legible on lines."""
    rim = {"stroke": halo, "stroke_width": size / 4, "stroke_linejoin": "round"}
    rim["paint_order"] = "stroke"
    return element(
        "text",
        words,
        x=x,
        y=y,
        font_size=size,
        text_anchor=anchor,
        font_weight=weight,
        fill=fill,
        font_family="DejaVu Sans, Verdana, Arial, sans-serif",
        **(rim if halo else {}),
    )


def middle(x: float, y: float, words: str, size: float, **look: str) -> Drawn:
    """Words about x."""
    return text(x, y, words, size, anchor="middle", **look)


def badge(x: float, y: float, radius: float, letter: str, rise: float, ink: str) -> Drawn:
    """A letter on a disc; `rise` is the size of the letter to the disc's radius."""
    disc = element("circle", cx=x, cy=y, r=radius, fill=ink)
    size = radius * rise
    return Drawn(disc + middle(x, y + radius * 0.55, letter, size, weight="bold", fill="#fff"))


def fitted(words: str, width: float, height: float) -> float:
    """A font size at which the words fit a box: a bold sans letter is about 0.66 em wide."""
    return min(height, width / (0.66 * max(len(words), 1)))
