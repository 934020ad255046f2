"""What must not get through: foreign names, foreign pages, bodies without end, endless judging."""

from __future__ import annotations

import asyncio
import socket
import time
from pathlib import Path
from typing import Any

import pytest

from memdiag.bench import guard
from memdiag.bench.config import Bench, Limits
from memdiag.bench.refusal import Refusal
from memdiag.bench.visitors import Visitors
from memdiag.bench.workers import Workers
from tests.bench.conftest import BASE, client_of
from tests.bench.test_interface import TEXT, sample
from tests.support.benchforms import send
from tests.support.benchserver import serving

TOKEN = "quince-apple-pear-plum"


@pytest.mark.parametrize("host", ["localhost:8414", "127.0.0.1:8414", "LOCALHOST:8414"])
def test_its_own_names_are_served(page: Any, host: str) -> None:
    assert page.get("/api/health", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["quince.example", "127.0.0.1", "127.0.0.1:80", "localhost:8414.quince.example", "", "[::1]"],
)
def test_a_foreign_name_is_refused_before_anything_is_read(page: Any, host: str) -> None:
    """A name that was made to lead here (rebinding) is foreign to the page, its port too."""
    for path in ("/", "/api/health", "/static/bench.css"):
        assert page.get(path, headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "head",
    [
        {"origin": "http://quince.example"},
        {"origin": "http://127.0.0.1:8415"},
        {"origin": "https://127.0.0.1:8414"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_another_page_cannot_have_anything_judged(page: Any, head: dict[str, str]) -> None:
    found = page.post("/api/verdict", content=sample("healthy"), headers=TEXT | head)
    assert found.status_code == 403 and found.json()["problems"][0]["code"] == "bench-origin"


def test_its_own_page_may(page: Any) -> None:
    head = TEXT | {"origin": BASE, "sec-fetch-site": "same-origin"}
    assert page.post("/api/verdict", content=sample("healthy"), headers=head).status_code == 200


@pytest.mark.parametrize("path", ["/api/health", "/api/nothing", "/nothing", "/static/bench.css"])
def test_every_answer_forbids_what_no_page_of_ours_does(page: Any, path: str) -> None:
    headers = page.get(path).headers
    policy = dict(
        part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == policy["base-uri"] == policy["frame-ancestors"] == "'none'"
    assert {policy[f"{kind}-src"] for kind in ("script", "style", "img", "connect")} == {"'self'"}
    assert headers["x-content-type-options"] == "nosniff"
    assert "access-control-allow-origin" not in headers


def test_only_its_own_files_are_given_out(page: Any) -> None:
    assert page.get("/static/bench.css").headers["content-type"].startswith("text/css")
    for path in ("../app.py", "%2e%2e/app.py", "..%2fapp.py", "/etc/hostname", "bench.css/../x"):
        assert page.get(f"/static/{path}").status_code == 404


# --- size and time ------------------------------------------------------------------------------


def test_a_body_that_is_longer_than_it_says_is_cut_off() -> None:
    """A client that tells no length and never ends is stopped at the bound."""
    sent = 0

    async def endless() -> dict[str, Any]:
        nonlocal sent
        sent += 1
        return {"type": "http.request", "body": b"x" * 1000, "more_body": True}

    async def read() -> None:
        body = guard._Body(endless, 10_000, 5.0)
        while True:
            await body.receive()

    with pytest.raises(Refusal) as wrong:
        asyncio.run(read())
    assert wrong.value.status == 413 and sent == 11


def test_a_body_that_does_not_come_is_not_waited_for() -> None:
    async def stalled() -> dict[str, Any]:
        await asyncio.sleep(3600)
        return {}

    with pytest.raises(Refusal) as wrong:
        asyncio.run(guard._Body(stalled, 10_000, 0.05).receive())
    assert wrong.value.status == 408


def _sleeps() -> str:
    time.sleep(3600)
    return "never"


def _spins() -> str:
    while True:
        pass


def _hoards() -> int:
    return len([bytes(64 << 20) for _ in range(1000)])


def _answers() -> str:
    return "here"


def test_a_hostile_paste_stops_only_itself(tmp_path: Path) -> None:
    """Two that never end and one that takes all memory, beside one that is well behaved: that one
    is answered, and so is the next, by workers that took the place of those that were killed."""

    async def meet() -> list[Any]:
        workers = Workers(Limits(judging=3.0, memory=1 << 30))
        workers.start()
        try:
            first = await asyncio.gather(
                *(workers.run(job) for job in (_sleeps, _hoards, _spins, _answers)),
                return_exceptions=True,
            )
            return [*first, await workers.run(_answers)]
        finally:
            workers.stop()

    asleep, hoard, spun, there, after = asyncio.run(meet())
    assert [p.code for p in asleep.problems] == ["bench-time"]
    assert [p.code for p in hoard.problems] == ["bench-memory"]
    assert [p.code for p in spun.problems] == ["bench-time"]
    assert (there, after) == ("here", "here")


def test_more_than_can_wait_are_sent_away() -> None:
    async def crowd() -> list[Any]:
        workers = Workers(Limits(judging=2.0, waiting=2))
        try:
            jobs = (workers.run(_answers) for _ in range(3))
            return await asyncio.gather(*jobs, return_exceptions=True)
        finally:
            workers.stop()

    said = asyncio.run(crowd())
    assert said[:2] == ["here", "here"]
    assert said[2].status == 503


# --- who may ask --------------------------------------------------------------------------------


def test_nobody_but_this_pc_is_listened_to(served: str) -> None:
    """At every other address of the PC nobody answers."""
    port = int(served.rsplit(":", 1)[1].strip("/"))
    with socket.socket() as elsewhere:  # loopback addresses are a whole network (RFC 5735)
        assert elsewhere.connect_ex(("127.0.0.2", port)) != 0


def test_the_token_lets_in(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "none", token=TOKEN, limits=Limits(judging=60))
    with client_of(bench) as client:
        assert client.get("/").status_code == 401
        assert client.get("/api/health").json()["problems"][0]["code"] == "bench-token"
        wrong = {"authorization": f"Bearer {TOKEN}x"}
        assert client.get("/api/health", headers=wrong).status_code == 401
        right = {"authorization": f"Bearer {TOKEN}"}
        assert client.get("/api/health", headers=right).status_code == 200
        assert client.get("/api/health").status_code == 401  # nothing was remembered of it
        door = client.get("/enter").text
        assert send(client, door, "/enter", token=f"{TOKEN}x").status_code == 401
        assert client.get("/").status_code == 401
        assert send(client, door, "/enter", token=TOKEN).status_code == 303
        assert client.get("/").status_code == 200


def test_a_form_is_known_by_its_visitor() -> None:
    here, elsewhere = Visitors(8414, None), Visitors(8414, None)
    one, other = here.new(), here.new()
    assert here.is_form_of(one, here.form_mark(one))
    assert not here.is_form_of(other, here.form_mark(one))
    assert not here.is_form_of(one, elsewhere.form_mark(one))  # of another process
    assert not here.is_form_of(None, here.form_mark(one))
    assert not here.is_form_of(one, here.entry_mark(one)) and not here.is_form_of(one, None)


@pytest.mark.parametrize(
    "cookie", ["", "x", "A" * 31 + "\n", "../" * 11, "0" * 32 + "; x=1", "\x00"]
)
def test_a_cookie_that_is_none_of_ours_is_nobody(page: Any, cookie: str) -> None:
    found = page.get("/nothing", headers={"cookie": f"memdiag-visit-8414={cookie}"})
    assert found.status_code == 404


@pytest.mark.parametrize(
    ("address", "says"),
    [("127.0.0.3", "needs an access token"), ("0.0.0.0", "name the one that visitors use")],
)
def test_the_server_needs_a_token_to_listen_elsewhere(
    tmp_path: Path, address: str, says: str
) -> None:
    with pytest.raises(AssertionError, match=says), serving(tmp_path, "--listen", address):
        pass
