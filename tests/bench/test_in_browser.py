"""The whole way of a repair on the page, in a real browser: paste, correct a line, file, swap,
compare, close, print; three boards at three widths, each page held to what every page must keep.

Needs Chromium, its driver, selenium and axe-core (extra `browser`); without them these tests are
skipped, except where CI=true says that they must run. MEMDIAG_SCREENSHOTS names a folder that gets
a picture of every page, to be looked at.
"""

from __future__ import annotations

import base64
import os
import re
from collections.abc import Callable, Iterator
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from memdiag.boards import profiles
from tests.support.benchserver import serving
from tests.support.benchtext import dump
from tests.support.browser import driven, paper, resize, run
from tests.support.database import Server
from tests.support.marks import lengthy

AXE = os.environ.get("MEMDIAG_AXE")
HEADLINE = 48  # CSS pixels: what is read from a metre away


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with driven(tmp_path_factory.mktemp("profile"), "axe_core_python") as driver:
        yield driver


class Bench:
    """A technician at the page, whose every page is looked at."""

    def __init__(self, driver: Any, served: str, width: int, height: int, name: str) -> None:
        self.driver, self.served, self.name = driver, served, name
        self.width, self._count = width, 0
        resize(driver, width, height)

    def go(self, path: str) -> None:
        self.driver.get(self.served + path.lstrip("/"))

    def one(self, selector: str) -> Any:
        return self.driver.find_element("css selector", selector)

    def enter(self, selector: str, words: str) -> None:
        """Put words in a field at once, as a paste does."""
        self.one(selector).clear()
        self.one(selector).click()
        self.driver.execute_cdp_cmd("Input.insertText", {"text": words})

    def open(self, title: str) -> None:
        """Open a drawer of the page by its title."""
        for summary in self.driver.find_elements("css selector", "summary"):
            if summary.text == title:
                self.driver.execute_script("arguments[0].parentElement.open = true", summary)

    def press(self, selector: str) -> None:
        button = self.one(selector)
        self.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
        button.click()

    def send(self, selector: str) -> None:
        """Press what leads to another page, and wait until that one is there."""
        from selenium.common.exceptions import WebDriverException
        from selenium.webdriver.support.ui import WebDriverWait

        self.driver.execute_script("window.isLeft = true")
        self.press(selector)
        there = "window.isLeft !== true && document.readyState === 'complete'"
        wait = WebDriverWait(self.driver, 60, 0.05, [WebDriverException])
        wait.until(lambda driver: run(driver, there))

    def until(self, there: Callable[[], bool]) -> None:
        """Wait for what comes by itself."""
        from selenium.common.exceptions import StaleElementReferenceException
        from selenium.webdriver.support.ui import WebDriverWait

        wait = WebDriverWait(self.driver, 60, 0.05, [StaleElementReferenceException])
        wait.until(lambda driver: there())

    def text(self, selector: str = "main") -> str:
        return str(self.one(selector).text)

    def check(self, what: str) -> None:
        """What every page keeps: nothing refused, nothing from elsewhere, nothing too wide, and no
        violation that axe-core finds, light or dark."""
        driver = self.driver
        assert driver.get_log("browser") == []
        names = run(driver, "performance.getEntriesByType('resource').map(e => e.name)")
        assert [name for name in names if not name.startswith(self.served)] == []
        assert run(driver, "document.documentElement.scrollWidth") <= self.width
        assert (
            run(driver, "document.querySelectorAll('[style], style, script:not([src])').length")
            == 0
        )
        for dark in (False, True):
            driver.execute_script(
                "document.documentElement.classList.toggle('dark', arguments[0])", dark
            )
            assert violations(driver) == [], (what, "dark" if dark else "light")
            self._picture(f"{what}-dark" if dark else what)
        driver.execute_script("document.documentElement.classList.remove('dark')")

    def _picture(self, what: str) -> None:
        if folder := os.environ.get("MEMDIAG_SCREENSHOTS"):
            data = self.driver.execute_cdp_cmd("Page.captureScreenshot", {})["data"]
            self._count += 1
            path = Path(folder) / f"{self.name}-{self.width}-{self._count:02d}-{what}.png"
            path.write_bytes(base64.b64decode(data))


def violations(driver: Any) -> list[tuple[str, str]]:
    """What axe-core finds, each with the first place of it."""
    import axe_core_python

    path = Path(AXE) if AXE else Path(axe_core_python.__file__).with_name("axe.min.js")
    driver.execute_script(path.read_text("utf-8"))
    found = driver.execute_async_script(
        "const done = arguments[0]; axe.run().then(r => done(r.violations.map("
        "v => [v.id, v.nodes[0].html.slice(0, 200) + ' ' + v.nodes[0].failureSummary])))"
    )
    return [tuple(each) for each in found]


def px(driver: Any, selector: str) -> float:
    size = run(driver, f"getComputedStyle(document.querySelector('{selector}')).fontSize")
    return float(str(size).removesuffix("px"))


def quince(number: int) -> Any:
    return profiles.find(f"quince-{number}")


CASES = [(12, "U6"), (8, "U3"), (2, "U1")]
SIZES = [(500, 900), (1280, 900), (1920, 1080)]
FIRST = (CASES[0], SIZES[1])
FLOWS = [
    (*FIRST[0], *FIRST[1]),
    *(lengthy(*case, *size) for case, size in product(CASES, SIZES) if (case, size) != FIRST),
]


@pytest.mark.parametrize(("number", "site", "width", "height"), FLOWS)
def test_a_repair_from_paste_to_print(
    chromium: Any, served: str, number: int, site: str, width: int, height: int
) -> None:
    bench = Bench(chromium, served, width, height, f"quince-{number}")
    repair(bench, f"W-{number}-{width}", number, site)


@pytest.mark.long
def test_a_repair_with_the_index_on_a_server(chromium: Any, server: Server, tmp_path: Path) -> None:
    """The same way, with the ledger of many benches in a PostgreSQL."""
    with serving(tmp_path / "tickets", "--ledger", server.emptied()) as address:
        repair(Bench(chromium, address, 1280, 900, "server"), "W-server", 12, "U6")


def repair(bench: Bench, ticket: str, number: int, site: str) -> None:
    head = {"ticket": ticket, "serial": f"Q{number}-{bench.width}", "at": "2031-03-05T09:00:00Z"}
    paste_and_correct(bench, dump(quince(number), gone=[site], head=head), site)
    follow_the_evidence(bench)
    assert bench.one("#ticket").get_attribute("value") == ticket
    bench.send(".tools button.main")
    assert f"Ticket {ticket}" in bench.text("h1") and "filed as 01-" in bench.text(".said")
    bench.check("ticket")
    later = {"stage": "after-swap", "at": "2031-03-05T15:00:00Z", "id": "b"}
    swap(bench, site, dump(quince(number), head=head | later))
    compare_and_close(bench, ticket, site)
    for page in ("sheet", "customer"):
        bench.go(f"/tickets/{ticket}/{page}")
        bench.check(page)
        assert paper(bench.driver) == 1
    bench.go("/ledger")
    assert ticket in bench.text(".found")
    bench.check("ledger")


def paste_and_correct(bench: Bench, intake: str, site: str) -> None:
    """Paste a dump with a line that nobody understands, and put it right where it stands."""
    wrong = re.sub(r"read pass (\S+ \S+)$", r"read p@ss!? \1", intake, count=1, flags=re.MULTILINE)
    assert wrong != intake
    bench.go("/")
    bench.check("paste")
    bench.enter("#text", wrong)
    bench.send(".paste button.main")
    assert bench.text(".plate .where") == site
    assert px(bench.driver, ".plate .where") >= HEADLINE
    assert bench.text(".heats .hot") == f"HEAT {site}"
    assert "1 line not understood" in bench.text(".unclear")
    bench.check("verdict")
    field = ".lines .lost input"
    bench.enter(field, bench.one(field).get_attribute("value").replace("p@ss!?", "pass"))
    bench.send(".unclear button.main")
    assert "1 line corrected by hand" in bench.text(".unclear")
    assert "not understood" not in bench.text(".unclear")


def follow_the_evidence(bench: Bench) -> None:
    """A click on evidence leads to the line that it quotes."""
    line = bench.one(".quotes a").get_attribute("href").rpartition("#")[2]
    bench.press(".quotes a")
    assert run(bench.driver, f"document.querySelector(':target').id === '{line}'")
    assert re.search(r"not-run|no-response", bench.text(f"#{line} code"))


def swap(bench: Bench, site: str, after: str) -> None:
    """Say that the package was replaced, and add the run that shows it."""
    bench.open("What was done")
    bench.enter("form[action$='/work'] [name=replaced]", site)
    bench.send("form[action$='/work'] button")
    assert f"replaced {site}" in bench.text(".strip")
    bench.open("Add a run")
    bench.enter("#text", after)
    bench.send("form[action='/paste'] button.main")
    bench.send(".tools button.main")
    assert "RELEASE the board" in bench.text(".plate .do")
    assert bench.text(".heats .clear").startswith("CLEAR")
    bench.check("released")


def compare_and_close(bench: Bench, ticket: str, site: str) -> None:
    """Look at the first run beside the last, and record what the repair showed."""
    bench.open("Compare two runs")
    bench.send("form[action$='/compare'] button")
    assert "REPAIRED" in bench.text(".outcome").upper()
    bench.check("compared")
    bench.go(f"/tickets/{ticket}")
    bench.open("Close it")
    for name, word in (("was", "missing"), ("place", site), ("cured", "yes")):
        bench.one(f"form[action$='/close'] [name={name}]").send_keys(word)
    bench.send("form[action$='/close'] button")
    assert f"recorded: {site} was missing" in bench.text(".said")


def test_the_sheet_of_a_paste_is_one_page(chromium: Any, served: str) -> None:
    """The fullest there is: many sites disturbed, every list at its longest."""
    bench = Bench(chromium, served, 1280, 900, "sheet")
    every = [f"U{n}" for n in range(1, 13)]
    bench.go("/")
    bench.enter("#text", dump(quince(12), gone=["U6"], thin=every[:3], disturbed=every))
    bench.send(".paste button.main")
    bench.send(".tools a[href$='/sheet']")
    assert paper(chromium) == 1
    bench.check("full-sheet")


def test_the_page_can_be_used_without_a_mouse(chromium: Any, served: str) -> None:
    """From the box to the button by the tabulator, and judged by a key."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    bench = Bench(chromium, served, 1280, 900, "keys")
    bench.go("/")
    assert run(chromium, "document.activeElement.id") == "text"  # the box has the focus at once
    chromium.execute_cdp_cmd(
        "Input.insertText", {"text": dump(quince(2), gone=["U1"], head={"ticket": "W-keys"})}
    )
    for _ in range(12):
        ActionChains(chromium).send_keys(Keys.TAB).perform()
        if run(chromium, "document.activeElement.textContent") == "Judge":
            break
    ActionChains(chromium).send_keys(Keys.ENTER).perform()
    chromium.implicitly_wait(20)
    assert bench.text(".plate .where") == "U1"
    chromium.implicitly_wait(0)


def test_a_paste_is_judged_as_soon_as_it_is_there(chromium: Any, served: str) -> None:
    """The paste itself sends the form, where the browser lets a script help."""
    bench = Bench(chromium, served, 1280, 900, "at-once")
    bench.go("/")
    chromium.execute_script(
        "const box = document.querySelector('#text'); box.value = arguments[0];"
        "box.dispatchEvent(new ClipboardEvent('paste', {bubbles: true}))",
        dump(quince(2), gone=["U1"]),
    )
    chromium.implicitly_wait(20)
    try:
        assert bench.text(".plate .where") == "U1"
    finally:
        chromium.implicitly_wait(0)


def test_a_file_that_is_dropped_is_judged(chromium: Any, served: str) -> None:
    bench = Bench(chromium, served, 1280, 900, "drop")
    bench.go("/")
    chromium.execute_script(
        "const held = new DataTransfer(); held.items.add(new File([arguments[0]], 'a.txt'));"
        "document.querySelector('[data-paste]').dispatchEvent("
        "new DragEvent('drop', {dataTransfer: held, bubbles: true, cancelable: true}))",
        dump(quince(2), gone=["U2"]),
    )
    chromium.implicitly_wait(20)
    try:
        assert bench.text(".plate .where") == "U2"
    finally:
        chromium.implicitly_wait(0)


def test_the_warm_site_is_picked_on_the_drawing(chromium: Any, served: str) -> None:
    """By a click that keeps what was entered; and by the link itself, without any script."""
    bench = Bench(chromium, served, 1280, 900, "warm")
    bench.go("/")
    bench.enter("#text", dump(quince(8), gone=["U3"], head={"ticket": "W-warm"}))
    bench.send(".paste button.main")
    bench.send(".tools button.main")
    bench.open("Injection")
    bench.enter("#injection [name=volts]", "1.0")
    bench.press("#injection svg a[aria-label='U3']")
    assert bench.one("[name=hottest]").get_attribute("value") == "U3"
    assert bench.one("#injection [name=volts]").get_attribute("value") == "1.0"
    bench.check("injection")
    bench.go("/tickets/W-warm?warm=U4#injection")
    assert bench.one("[name=hottest]").get_attribute("value") == "U4"
    bench.check("warm")


@pytest.mark.parametrize(("width", "height"), [SIZES[0], lengthy(*SIZES[2])])
def test_what_a_console_sends_comes_up_by_itself(
    chromium: Any, tmp_path: Path, width: int, height: int
) -> None:
    """The page stays as it was opened; the boot's verdict comes to it, and leads to the answer."""
    wire = tmp_path / "console"
    os.mkfifo(wire)
    listens = ("--console", str(wire), "--keep", str(tmp_path / "kept"), "--ledger", "none")
    with serving(tmp_path / "tickets", *listens) as address:
        bench = Bench(chromium, address, width, height, "console")
        bench.go("/console")
        assert "Nothing has come yet" in bench.text("#latest")
        bench.check("silent")
        chromium.execute_script("window.isSame = true")
        with wire.open("w") as board:
            board.write(dump(quince(12), gone=["U6"], head={"ticket": "W-console"}))
        bench.until(lambda: "HEAT U6" in bench.text("#latest"))
        assert run(chromium, "window.isSame") and px(chromium, "#latest .where") >= HEADLINE
        bench.until(lambda: "waiting for a dump" in bench.text(".state"))
        bench.check("heard")
        bench.send("#latest a")
        assert bench.text(".plate .where") == "U6"
        bench.send(".tools button.main")
        assert "Ticket W-console" in bench.text("h1")


@pytest.mark.long
def test_a_hostile_dump_runs_nothing(chromium: Any, served: str) -> None:
    bench = Bench(chromium, served, 1280, 900, "hostile")
    words = "<img/src=x/onerror=document.title='caught'>"
    text = dump(quince(2), gone=["U1"], head={"note": words, "rig": words, "stage": words})
    bench.go("/")
    bench.enter("#text", text.replace("U2 ", f"{words} ", 1))
    bench.send(".paste button.main")
    assert run(chromium, "document.title") != "caught" and words in bench.text()
    bench.check("hostile")
