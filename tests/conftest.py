"""What every test stands on: a bench without anybody's settings, and documents held to a schema."""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from memdiag.reports import case_documents, documents
from tests.support import schemas
from tests.support.database import Server, lacking
from tests.support.marks import LONG

_HOME = pytest.StashKey[Path]()

# The same examples at every run: whether a change is good must not hang on a draw. New ones are
# looked for with `--hypothesis-profile fresh`.
settings.register_profile("fresh", derandomize=False)
settings.register_profile("same", derandomize=True)
settings.load_profile("same")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run what takes long as well")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What takes long waits to be asked for; where CI=true it is."""
    if os.environ.get(LONG):
        return
    for item in items:
        if item.get_closest_marker("long"):
            item.add_marker(pytest.mark.skip(reason="takes long: with --long, or where CI=true"))


def pytest_configure(config: pytest.Config) -> None:
    """No board, layout, width or colour of whoever runs the tests reaches them, or the processes
    they start. Compiled grammars are kept in a folder that goes with the run. Where the tests were
    started in the background, Ctrl-C would be ignored by them all; some of them press it."""
    if config.getoption("--long") or os.environ.get("CI") == "true":
        os.environ[LONG] = "1"
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    home = Path(tempfile.mkdtemp(prefix="memdiag-tests-"))
    config.stash[_HOME] = home
    for name in (
        "MEMDIAG_BOARDS",
        "MEMDIAG_GRAMMARS",
        "MEMDIAG_LEDGER",
        "MEMDIAG_DEBUG",
        "NO_COLOR",
        "FORCE_COLOR",
        "COLUMNS",
        "LINES",
    ):
        os.environ.pop(name, None)
    for kind in ("CONFIG", "CACHE", "DATA"):
        os.environ[f"XDG_{kind}_HOME"] = str(home / kind.lower())


def pytest_unconfigure(config: pytest.Config) -> None:
    shutil.rmtree(config.stash[_HOME], ignore_errors=True)


@pytest.fixture(scope="session", autouse=True)
def every_document_keeps_to_its_schema() -> Iterator[None]:
    """Whatever a test makes a verdict's or a case's document for, it is checked on its way."""
    with pytest.MonkeyPatch.context() as patch:
        for room, name, schema in (
            (documents, "verdict_document", "memdiag-verdict-1"),
            (case_documents, "case_document", "memdiag-case-1"),
        ):
            patch.setattr(room, name, _checked(getattr(room, name), schema))
        yield


def _checked(made: Callable[..., dict[str, Any]], schema: str) -> Callable[..., dict[str, Any]]:
    def checked(*given: Any, **named: Any) -> dict[str, Any]:
        document = made(*given, **named)
        schemas.check(document, schema)
        return document

    return checked


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
