"""The formats a page can be written in: a name, the endings of its files, and who makes it.

A format is one module with a function `render`, which is imported only when it is called for, and
one line here; from outside the package, a module of one's own and `register`. A format that needs
more than every page has says which kind of page it takes.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import PurePath

from msgspec import Struct

from memdiag.reports.page import ColumnPage, Page
from memdiag.reports.plain import printable
from memdiag.reports.repair_page import RepairPage


class Format(Struct, frozen=True):
    """`module` holds `render`, which makes a text, or bytes, of a page of the kind `takes`; one
    of this room begins with a dot."""

    name: str
    endings: tuple[str, ...]
    module: str
    takes: type[Page] = Page
    binary: bool = False

    def render(self, page: Page) -> str | bytes:
        """The page. No text of it holds what a terminal obeys, whatever its module lets by."""
        make: Callable[[Page], str | bytes] = import_module(self.module, __package__).render
        made = make(page)
        return printable(made) if isinstance(made, str) else made


FORMATS: list[Format] = []


def register(*more: Format) -> None:
    """Further formats, for every command that writes a page and is called after this.

    Raises ValueError where a name or an ending is taken.
    """
    for form in more:
        for known in FORMATS:
            if form.name == known.name or set(form.endings) & set(known.endings):
                raise ValueError(f"{form.name}: {known.name} has that name or ending already")
        FORMATS.append(form)


register(
    Format("text", (".txt",), ".text"),
    Format("json", (".json",), ".documents"),
    Format("csv", (".csv",), ".spreadsheet"),
    Format("markdown", (".md",), ".markdown"),
    Format("html", (".html", ".htm"), ".html"),
    Format("customer", (), ".customer", takes=RepairPage),
    Format("parquet", (".parquet",), ".parquet", takes=ColumnPage, binary=True),
)


def of_kind(kind: type[Page]) -> tuple[Format, ...]:
    """The formats that can show this kind of page, the usual one first."""
    return tuple(f for f in FORMATS if issubclass(kind, f.takes))


def chosen(kind: type[Page], name: str | None, output: str | None) -> Format:
    """The format of this name; where none is said, the one of the file's ending, else the usual.

    Raises KeyError for a name that this kind of page does not have.
    """
    able = of_kind(kind)
    if name is not None:
        return {f.name: f for f in able}[name]
    ending = PurePath(output or "").suffix.lower()
    return next((f for f in able if ending in f.endings), able[0])


def render(page: Page, name: str) -> str:
    """The page in a format that is text, such as `markdown`."""
    made = chosen(type(page), name, None).render(page)
    assert isinstance(made, str)
    return made
