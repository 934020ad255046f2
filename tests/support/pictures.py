"""The pictures of README.md and docs/: pages that the commands write, as a browser shows them.

`python -m tests.support.pictures` takes anew those whose page is another by now (Debian's chromium
and chromium-driver, extras `browser` and `bench`). What a browser draws hangs on its fonts, so a
picture is not held to its points: it holds, as a text inside the PNG, the hash of the very page it
was taken of, and the tests make that page anew.
"""

from __future__ import annotations

import base64
import hashlib
import io
import os
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from msgspec import Struct

from tests.support.pages import DOCS, ROOT, file_block

FOLDER = DOCS / "pictures"
WIDTH = 1100
"""CSS pixels: the page as on a bench PC, before it puts its columns below each other."""
COLOURS = 96
"""The page's own commonest ones: its flat grounds stay as they are, and the file is a third."""
PAGE = "page-sha256"
"""The name of the text in the PNG."""


class Picture(Struct, frozen=True):
    """A page of memdiag with these arguments, from `since` to before `until`. What else is on
    the page is not shown, and may change without the picture being stale."""

    name: str
    arguments: tuple[str, ...]
    until: str
    since: str = "<main>"

    @property
    def path(self) -> Path:
        return FOLDER / f"{self.name}.png"


PICTURES = (
    Picture("verdict", ("verdict", "samples/missing-package.dump"), '<section class="cautions'),
    Picture(
        "case-bare",
        ("case", "ohms.dump", "samples/missing-package.dump", "samples/bare-boot.dump"),
        since='<div class="lists',
        until='<section class="curves',
    ),
    Picture(
        "case-final",
        ("case", "ohms.dump", "samples/four-dumps.dump"),
        until='<section class="figures',
    ),
)


def written(*arguments: str) -> bytes:
    """What the command prints in a folder with the samples and the files of docs/case.md."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "samples").symlink_to(ROOT / "samples")
        ohms = file_block(DOCS / "case.md", "ohms.dump")
        (folder / "ohms.dump").write_text(ohms, encoding="utf-8")
        return subprocess.run(
            [sys.executable, "-m", "memdiag", *arguments],
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
            stdout=subprocess.PIPE,
            check=False,
        ).stdout


@cache
def page(picture: Picture) -> str:
    """The HTML that the picture shows, as the command writes it."""
    whole = written(*picture.arguments, "--format", "html").decode()
    head, body, rest = whole.partition("<main>")
    _, since, shown = (body + rest).partition(picture.since)
    shown, until, _ = shown.partition(picture.until)
    assert body and since and until, f"{picture.name}: the page lacks {picture.since} or the other"
    return f"{head}<main>{since.removeprefix('<main>')}{shown}"


def digest(picture: Picture) -> str:
    return hashlib.sha256(page(picture).encode()).hexdigest()


def taken_of(path: Path) -> str | None:
    """The hash of the page that a picture was taken of; None where there is no such picture."""
    from PIL import Image

    if not path.exists():
        return None
    with Image.open(path) as image:
        return image.info.get(PAGE)


def take(picture: Picture, driver: Any, folder: Path) -> None:
    """Shows the page and writes the picture with the hash of it. `folder`: for the page."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    from tests.support.browser import resize, run

    shown = folder / f"{picture.name}.html"
    shown.write_text(page(picture), encoding="utf-8")
    resize(driver, WIDTH, 400)
    driver.get(shown.as_uri())
    height = run(driver, "document.querySelector('main').getBoundingClientRect().bottom")
    resize(driver, WIDTH, round(height) + 16)
    data = driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})["data"]
    said = PngInfo()
    said.add_text(PAGE, digest(picture))
    with Image.open(io.BytesIO(base64.b64decode(data))) as image:
        small = in_few_colours(image.convert("RGB"))
    FOLDER.mkdir(exist_ok=True)
    small.save(picture.path, optimize=True, pnginfo=said)


def in_few_colours(image: Any) -> Any:
    """The picture in its own `COLOURS` commonest colours, each point in the nearest of them."""
    from PIL import Image

    counted = sorted(image.getcolors(image.width * image.height), reverse=True)
    palette = Image.new("P", (1, 1))
    palette.putpalette([part for _, colour in counted[:COLOURS] for part in colour])
    return image.quantize(palette=palette, dither=Image.Dither.NONE)


def stale() -> list[Picture]:
    """The pictures that show a page which is another by now."""
    return [each for each in PICTURES if taken_of(each.path) != digest(each)]


def retake() -> list[Picture]:
    """Takes the stale ones, and says which those were."""
    from tests.support.browser import driven

    wanted = stale()
    if wanted:
        with tempfile.TemporaryDirectory() as name, driven(Path(name, "profile")) as driver:
            for picture in wanted:
                take(picture, driver, Path(name))
    return wanted


if __name__ == "__main__":
    for picture in retake():
        print(f"{picture.path.relative_to(ROOT)}: {picture.path.stat().st_size // 1000} kB")
