"""A ledger to test: in a file, and on a PostgreSQL of the tests' own."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.database import Server


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
