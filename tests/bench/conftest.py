"""A bench page in this process, with workers and a folder of tickets of its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from memdiag.bench.app import application
from memdiag.bench.config import Bench, Limits
from tests.support.benchserver import serving

BASE = "http://127.0.0.1:8414"


def client_of(bench: Bench) -> TestClient:
    return TestClient(application(bench), base_url=BASE, follow_redirects=False)


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the page of this run files its tickets."""
    return tmp_path_factory.mktemp("bench") / "tickets"


@pytest.fixture(scope="session")
def page(folder: Path) -> Iterator[Any]:
    """The page as a visitor's browser sees it: cookies are kept."""
    index = f"sqlite:///{folder.parent / 'ledger.sqlite'}"
    with client_of(Bench(folder, index, limits=Limits(body=4 << 20, judging=60))) as client:
        yield client


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Where a page is served by a process of its own."""
    home = tmp_path_factory.mktemp("served")
    index = f"sqlite:///{home / 'ledger.sqlite'}"
    with serving(home / "tickets", "--ledger", index) as address:
        yield address
