"""The book of docs/: built strictly, so that a broken link fails, and looked at in a browser.

Needs Sphinx and what it builds with (extra `docs`), and for looking Chromium, its driver and
selenium (extra `browser`); what is missing is skipped, except where CI=true says that it must run.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from tests.support.browser import NEEDED, driven, resize, run
from tests.support.pages import DOCS, ROOT

STRICT = ("-n", "-W", "--keep-going", "-q")
PAGES = sorted(path.stem for path in DOCS.glob("*.md"))


def build(source: Path, to: Path) -> subprocess.CompletedProcess[str]:
    """Sphinx, as `.ci/run` calls it."""
    lacking = [name for name in ("sphinx", "myst_parser", "furo") if find_spec(name) is None]
    if lacking:
        (pytest.fail if NEEDED else pytest.skip)(f"{', '.join(lacking)} missing (extra: docs)")
    return subprocess.run(
        [sys.executable, "-m", "sphinx", *STRICT, str(source), str(to)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("book")
    done = build(DOCS, folder)
    assert done.returncode == 0, done.stderr
    return folder


def test_every_page_is_in_the_book_and_none_loads_from_elsewhere(book: Path) -> None:
    made = {path.stem for path in book.glob("*.html")} - {"genindex", "search"}
    assert sorted(made) == PAGES
    for path in book.glob("*.html"):
        text = path.read_text(encoding="utf-8")
        loaded = re.findall(r"<(?:script|link|img|iframe)\b[^>]*(?:src|href)=\"([^\"]+)\"", text)
        assert loaded and not [name for name in loaded if "//" in name], path.name
    for path in (book / "_static").rglob("*.css"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"url\(['\"]?(?:https?:)?//|@import", text), path.name


@pytest.mark.long
@pytest.mark.parametrize(
    ("page", "broken", "told"),
    [
        ("dump.md", "[a page](nowhere.md)", "nowhere"),
        ("dump.md", "[a heading](case.md#no-such-heading)", "no-such-heading"),
        ("dump.md", "![a picture](pictures/none.png)", "none.png"),
        ("left-out.md", "# A page that the index does not name", "left-out"),
        ("dump.md", "```klingon\nblock\n```", "klingon"),
    ],
)
def test_a_broken_book_is_not_built(page: str, broken: str, told: str, tmp_path: Path) -> None:
    source = tmp_path / "docs"
    source.mkdir()
    for name in ("conf.py", "book.css"):
        shutil.copy(DOCS / name, source)
    (source / "index.md").write_text("# A book\n\n## Pages\n\n- [one](dump.md)\n- [two](case.md)\n")
    (source / "case.md").write_text("# Two\n\nNothing is wrong here.\n")
    (source / "dump.md").write_text("# One\n\nNothing is wrong here.\n")
    assert build(source, tmp_path / "good").returncode == 0
    with (source / page).open("a") as file:
        file.write(f"\n{broken}\n")
    done = build(source, tmp_path / "bad")
    assert done.returncode != 0 and told in done.stderr


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with driven(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


@pytest.mark.parametrize("page", PAGES)
def test_a_page_can_be_read_on_a_desk_and_on_a_telephone(
    page: str, book: Path, chromium: Any
) -> None:
    """A table or a block that is wider than the page scrolls by itself; the page does not."""
    for width in (1280, 390):
        resize(chromium, width, 900)
        chromium.get((book / f"{page}.html").as_uri())
        assert chromium.get_log("browser") == []
        assert run(chromium, "document.documentElement.scrollWidth") <= width
        assert run(chromium, "[...document.images].every(i => i.complete && i.naturalWidth)")
        loaded = run(chromium, "performance.getEntriesByType('resource').map(r => r.name)")
        assert not [name for name in loaded if name.startswith("http")]
