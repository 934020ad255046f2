"""Debian's Chromium, driven: what it needs, and how it is started quietly."""

from __future__ import annotations

import base64
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

NEEDED = os.environ.get("CI") == "true"
QUIET = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--hide-scrollbars",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def _missing_piece(also: tuple[str, ...]) -> str | None:
    for library in ("selenium", *also):
        if find_spec(library) is None:
            return f"{library} is not installed (pip install 'memdiag[browser]')"
    if not (shutil.which("chromium") or shutil.which("chromium-browser")):
        return "no chromium on this machine"
    return None if shutil.which("chromedriver") else "no chromedriver on this machine"


@contextmanager
def driven(profile: Path, *also: str) -> Iterator[Any]:
    """A browser with a profile of its own. Skips the test where a piece is missing, `also` these
    libraries; fails it where CI=true says that it must run."""
    lacking = _missing_piece(also)
    if lacking and NEEDED:
        pytest.fail(f"the browser tests are required here, but {lacking}")
    if lacking:
        pytest.skip(lacking)
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = shutil.which("chromium") or shutil.which("chromium-browser") or ""
    for flag in (*QUIET, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        yield driver
    finally:
        driver.quit()


def resize(driver: Any, width: int, height: int) -> None:
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
    )


def run(driver: Any, expression: str) -> Any:
    return driver.execute_script(f"return {expression}")


def paper(driver: Any) -> int:
    """How many A4 pages the page prints on, as a printer that saves ink gets it."""
    data = driver.execute_cdp_cmd(
        "Page.printToPDF", {"preferCSSPageSize": True, "printBackground": False}
    )["data"]
    pdf = base64.b64decode(data)
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
    sides = [round(float(side)) for side in box.groups()] if box else []
    assert sides == [595, 842]  # ISO 216 A4 in points
    return len(re.findall(rb"/Type\s*/Page\b", pdf))
