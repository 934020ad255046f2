"""The pictures of README.md and docs/ show the pages as they are now.

A picture holds the hash of the page it was taken of; fonts of this machine play no part in that.
`python -m tests.support.pictures`, or MEMDIAG_WRITE_GOLDENS=1 here, takes the stale ones anew.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from msgspec.structs import replace

from tests.support import pictures
from tests.support.pages import DOCS, ROOT, WRITE
from tests.support.pictures import PICTURES, Picture


def test_stale_pictures_are_taken_anew_where_that_is_asked_for() -> None:
    if not WRITE:
        pytest.skip("MEMDIAG_WRITE_GOLDENS=1 takes them")
    pictures.retake()


@pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.name)
def test_a_picture_shows_the_page_as_it_is_now(picture: Picture) -> None:
    taken = pictures.taken_of(picture.path)
    assert taken == pictures.digest(picture), "take it anew: python -m tests.support.pictures"


def test_a_picture_of_another_page_is_found() -> None:
    other = replace(PICTURES[0], arguments=("verdict", "samples/weak-package.dump"))
    assert pictures.taken_of(other.path) != pictures.digest(other)
    assert pictures.taken_of(DOCS / "pictures" / "none.png") is None


@pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.name)
def test_a_picture_is_of_a_whole_page(picture: Picture) -> None:
    """Not blank, and as wide as it was to be: an empty page has one colour."""
    from PIL import Image

    with Image.open(picture.path) as image:
        colours = image.convert("RGB").getcolors(256)
        assert image.width == pictures.WIDTH and image.height > 400
    assert colours is not None and len(colours) > 20


def test_the_drawing_of_a_board_is_what_the_command_draws() -> None:
    """docs/boards.md tells the command."""
    drawn = pictures.written("board", "draw", "quince-8", "--mark", "U5,U6", "-o", "-")
    path = DOCS / "pictures" / "quince-8.svg"
    if WRITE:
        path.write_bytes(drawn)
    assert path.read_bytes() == drawn, "write it anew: MEMDIAG_WRITE_GOLDENS=1"


def test_every_picture_is_shown_and_none_is_left_over() -> None:
    pages = [ROOT / "README.md", *DOCS.glob("*.md")]
    shown = {
        Path(name).name
        for page in pages
        for name in re.findall(r"!\[[^]]+\]\(([^)]+)\)", page.read_text(encoding="utf-8"))
    }
    kept = sorted((DOCS / "pictures").iterdir())
    assert sorted(shown) == [path.name for path in kept]
    assert {path.name for path in kept if path.suffix == ".png"} == {
        picture.path.name for picture in PICTURES
    }
    assert sum(path.stat().st_size for path in kept) < 500_000  # a checkout stays light
