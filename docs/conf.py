"""The book: docs/ as a static site, made by Sphinx from the same Markdown that is read on its own.

`sphinx-build -n -W --keep-going docs OUT` builds it (extra `docs`); a broken link, a page that the
index does not name and a block that cannot be coloured are errors. Nothing is loaded from
elsewhere.
"""

from __future__ import annotations

import re

from pygments.lexers.special import TextLexer
from sphinx.application import Sphinx

import memdiag

project = "memdiag"
author = "the authors of memdiag"
version = release = memdiag.__version__

extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
root_doc = "index"
exclude_patterns = ["schemas/*", "pictures/*"]
# Links to headings are written as those who show Markdown by itself make them.
myst_heading_anchors = 4

html_theme = "furo"
html_title = f"memdiag {release}"
html_show_sphinx = False
html_show_copyright = False
html_copy_source = False
html_static_path = ["book.css"]
html_css_files = ["book.css"]
html_theme_options = {"navigation_with_keys": True}


def table_of_contents(app: Sphinx, name: str, source: list[str]) -> None:
    """The index page's own lists are the table of contents: pages are not named a second time."""
    if name != root_doc:
        return
    for title, listed in re.findall(r"^## (.+)\n((?:(?!^## ).*\n)*)", source[0], re.MULTILINE):
        pages = re.findall(r"^- \[[^]]+\]\(([^)]+)\.md\)", listed, re.MULTILINE)
        tree = "\n".join(("", "```{toctree}", ":hidden:", f":caption: {title}", "", *pages, "```"))
        source[0] += tree + "\n"


def setup(app: Sphinx) -> None:
    app.connect("source-read", table_of_contents)
    app.add_lexer("lark", TextLexer)  # Pygments has none for it
