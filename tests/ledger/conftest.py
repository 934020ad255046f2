"""A ledger to test: in a file, and on a PostgreSQL of the tests' own."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.database import Server, lacking


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A running PostgreSQL; skipped with a reason where there is none, and required in CI."""
    missing = lacking()
    if missing:
        if os.environ.get("CI") == "true":
            pytest.fail(f"CI needs it: {missing}")
        pytest.skip(missing)
    one = Server()
    try:
        yield one.start()
    finally:
        one.stop()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a ledger that is not there yet."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'index' / 'ledger.sqlite'}"
    server: Server = request.getfixturevalue("server")
    return server.emptied()


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's data folder of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "data" / "memdiag"
