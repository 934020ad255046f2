"""The ledger on the page: searched, counted, drawn."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from memdiag.bench.config import Bench, Limits
from tests.bench.conftest import client_of
from tests.bench.test_interface import sample
from tests.bench.test_paste import quince
from tests.bench.test_tickets import added, filed
from tests.support.benchtext import dump


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A page with three boards in its ledger, two of them closed."""
    home = tmp_path_factory.mktemp("shop")
    index = f"sqlite:///{home / 'ledger.sqlite'}"
    with client_of(Bench(home / "tickets", index, limits=Limits(judging=60))) as client:
        for ticket, number, site, serial in (
            ("L-1", 12, "U6", "FC-1"),
            ("L-2", 12, "U7", "FC-2"),
            ("L-3", 8, "U2", "FC-3"),
        ):
            head = {"serial": serial, "ticket": ticket, "board": f"quince-{number}"}
            filed(client, dump(quince(number), gone=[site], head=head), ticket)
            if ticket != "L-2":
                more = {"was": "missing", "cured": "yes", "place": site, "note": ""}
                added(client, ticket, "close", **more)
        yield client


def found(page: str) -> list[str]:
    return re.findall(r'<th scope="row"><a href="/tickets/([^"]+)"', page)


@pytest.mark.parametrize(
    ("asked", "tickets"),
    [
        ({}, ["L-1", "L-2", "L-3"]),
        ({"serial": "fc-2"}, ["L-2"]),
        ({"board": "quince-12"}, ["L-1", "L-2"]),
        ({"site": "U2"}, ["L-3"]),
        ({"cause": "missing", "site": "U6"}, ["L-1"]),
        ({"text": "FC-3"}, ["L-3"]),
        ({"cause": "bridge"}, []),
        ({"text": "%' OR 1=1 --"}, []),
    ],
)
def test_tickets_are_found(shop: Any, asked: dict[str, str], tickets: list[str]) -> None:
    seen = shop.get("/ledger", params=asked)
    assert seen.status_code == 200 and sorted(found(seen.text)) == tickets
    assert f"{len(tickets)} ticket" in seen.text


def test_outcomes_are_drawn(shop: Any) -> None:
    seen = shop.get("/ledger").text
    assert "What was wrong, board by board" in seen
    bars = re.search(r"<title>What was wrong, board by board\. ([^<]*)</title>", seen)
    assert bars and bars[1] == "quince-12: missing 1; quince-8: missing 1"
    assert "Where quince-12 fails" in seen and "1 x" in seen  # on the board's own picture
    assert "Were verdicts right about" in seen  # calibration
    one = shop.get("/ledger", params={"board": "quince-8"}).text
    assert "Where quince-8 fails" in one and "Where quince-12 fails" not in one


def test_a_page_without_an_index_says_so(tmp_path: Path) -> None:
    with client_of(Bench(tmp_path, "none", limits=Limits(judging=60))) as client:
        told = client.get("/ledger")
        assert told.status_code == 404 and "without a ledger" in told.text
        assert "REPLACE" in filed(client, sample("missing-package").decode(), "L-9")
