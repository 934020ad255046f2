"""A small SVG writer: an element is a tag, its attributes and its children; all text is escaped.

Only presentation attributes are used, never `style`, so that a picture may stand in a page whose
Content-Security-Policy allows no inline style.
"""

from __future__ import annotations

from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

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
        parts.append(f" {name.rstrip('_').replace('_', '-')}={quoteattr(text)}")
    inside = "".join(_child(child) for child in children)
    parts.append(f">{inside}</{tag}>" if inside else "/>")
    return Drawn("".join(parts))


def _child(child: str | Iterable[Drawn]) -> str:
    if isinstance(child, Drawn):
        return child
    if isinstance(child, str):
        return escape(printable(child))
    return "".join(child)


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
        stroke=halo,
        stroke_width=size / 4 if halo else None,
        stroke_linejoin="round" if halo else None,
        paint_order="stroke" if halo else None,
    )


def fitted(words: str, width: float, height: float) -> float:
    """A font size at which the words fit a box: a bold sans letter is about 0.66 em wide."""
    return min(height, width / (0.66 * max(len(words), 1)))
