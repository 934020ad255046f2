"""Consoles on the page: what they send is judged, shown and filed with the times of its lines."""

from __future__ import annotations

import hashlib
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from memdiag.bench.app import application
from memdiag.bench.capture import Capture, Limits
from memdiag.bench.capture_files import Kept
from memdiag.bench.capture_lines import known
from memdiag.bench.config import Bench
from memdiag.ledger.entries import damaged
from memdiag.ledger.store import look
from tests.bench.conftest import BASE
from tests.bench.test_interface import sample
from tests.support.benchforms import send
from tests.support.capturing import Console

MISSING, AFTER = sample("missing-package"), sample("after-swap")


@contextmanager
def hearing(tmp_path: Path, *scripts: bytes, stall: float = 5.0) -> Iterator[Any]:
    """A page that listens to consoles, each of which sends a script."""
    captures = []
    for number, script in enumerate(scripts):
        kept = Kept(tmp_path / "kept", f"console-{number}", datetime.now(UTC))
        captures.append(Capture(Console(script, quiet=3 * stall), kept, known(), Limits(stall)))
    bench = Bench(tmp_path / "tickets", f"sqlite:///{tmp_path / 'ledger.sqlite'}")
    made = application(bench, captures)
    with TestClient(made, base_url=BASE, follow_redirects=False) as client:
        yield client


def page_with(client: Any, *words: str) -> str:
    """The page of the consoles once all of that stands on it."""
    until = time.monotonic() + 60
    while True:
        text = str(client.get("/console").text)
        if all(word in text for word in words):
            return text
        assert time.monotonic() < until, text
        time.sleep(0.05)


def test_each_boot_is_judged_and_the_next_one_listened_for(tmp_path: Path) -> None:
    with hearing(tmp_path, MISSING + b"booting again\r\n" + AFTER) as client:
        seen = page_with(client, "U6 is missing", "no fault found")
        heard = seen[seen.index('id="heard-1"') :]
        assert heard.index("no fault found") < heard.index("U6 is missing")  # the latest leads
        assert "nothing to do" in seen and "REPLACE" not in seen
        assert "dump 1, begun at " in seen and "it came to its end" in seen
        latest = re.search(r'class="button main" href="(/paste/\w+)">', seen)
        assert latest and "no fault found" in client.get(latest[1]).text
    (raw,) = (tmp_path / "kept").glob("*.raw")
    assert raw.read_bytes() == MISSING + b"booting again\r\n" + AFTER


def test_two_consoles_are_heard_side_by_side(tmp_path: Path) -> None:
    with hearing(tmp_path, MISSING, AFTER) as client:
        seen = page_with(client, "U6 is missing", "no fault found")
        assert seen.count('class="console"') == 2


def test_what_is_filed_has_the_times_of_its_lines(tmp_path: Path) -> None:
    with hearing(tmp_path, MISSING) as client:
        seen = page_with(client, "U6 is missing")
        found = re.search(r'href="(/paste/\w+)"', seen)
        assert found
        paste = client.get(found[1])
        assert 'value="R-1187"' in paste.text  # the dump's own ticket
        done = send(client, paste.text, f"{found[1]}/file", ticket="R-1187")
        assert done.status_code == 303, done.text
    (entry,) = look(tmp_path / "tickets", "R-1187").entries
    assert not damaged(entry) and entry.dump() == MISSING
    times = (entry.folder / "times.csv").read_text().splitlines()
    assert times[0] == "line,at" and len(times) - 1 == MISSING.count(b"\n")
    assert '"from": "the console"' in (entry.folder / "entry.json").read_text()


def test_a_stalled_dump_that_goes_on_is_one_dump_on_the_page(tmp_path: Path) -> None:
    half = len(MISSING) // 2
    script = MISSING[:half] + b"<quiet>" + MISSING[half:]
    with hearing(tmp_path, script, stall=0.3) as client:
        page_with(client, "it stalled")
        seen = page_with(client, "it came to its end", "U6 is missing")
        assert len(re.findall(r'<li><a href="/paste/\w+">', seen)) == 1


def test_what_cannot_be_judged_and_what_is_lost_is_said(tmp_path: Path) -> None:
    script = MISSING[: len(MISSING) // 3] + b"<lost>" + AFTER
    with hearing(tmp_path, script) as client:
        seen = page_with(client, "no fault found", "the console is gone", "the console is back")
        assert "the line was lost" in seen


@pytest.mark.parametrize("word", ["memdiag serve --console", "No console is listened to"])
def test_without_a_console_the_page_says_how(page: Any, word: str) -> None:
    assert word in page.get("/console").text


def test_markup_from_a_console_is_text(tmp_path: Path) -> None:
    script = MISSING.replace(b"R-1187", b"<script>alert(1)</script>")
    with hearing(tmp_path, script) as client:
        seen = page_with(client, "U6 is missing")
        assert "<script>alert" not in seen


def test_what_came_before_the_page_ended_is_kept(tmp_path: Path) -> None:
    """Not judged any more, but there: byte for byte."""
    script = MISSING * 20
    with hearing(tmp_path, script) as client:
        page_with(client, "dump 1, begun at")
    (raw,) = (tmp_path / "kept").glob("*.raw")
    assert hashlib.sha256(raw.read_bytes()).digest() == hashlib.sha256(script).digest()
