"""The HTTP interface: the documents of the command line, and refusals that say why."""

from __future__ import annotations

import gzip
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from memdiag.model.problems.bench import KINDS
from tests.support import schemas

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "samples"
TEXT = {"content-type": "text/plain"}


def sample(name: str) -> bytes:
    return (SAMPLES / f"{name}.dump").read_bytes()


def printed(*arguments: str) -> str:
    """What the command line writes to standard output."""
    done = subprocess.run(
        [sys.executable, "-m", "memdiag", *arguments, "--format", "json"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    return done.stdout


def test_it_says_that_it_is_there(page: Any) -> None:
    found = page.get("/api/health")
    assert found.status_code == 200 and found.json() == {"status": "ok"}


@pytest.mark.parametrize("name", ["missing-package", "four-dumps", "dirty-paste", "ddr4-weak-row"])
def test_a_verdict_is_the_one_of_the_command_line(page: Any, name: str) -> None:
    found = page.post("/api/verdict", content=sample(name), headers=TEXT)
    assert found.status_code == 200
    assert found.headers["content-type"] == "application/json"
    assert found.text == printed("verdict", f"samples/{name}.dump")


def test_packed_text_is_read(page: Any) -> None:
    packed = gzip.compress(sample("missing-package"))
    found = page.post("/api/verdict", content=packed, headers=TEXT)
    assert found.status_code == 200 and found.json()["summary"]["site"] == "U6"


def test_the_board_may_be_named(page: Any) -> None:
    nameless = sample("missing-package").replace(b"board", b"#oard", 1)
    found = page.post("/api/verdict?board=QUINCE-12", content=nameless, headers=TEXT)
    assert found.status_code == 200 and found.json()["summary"]["site"] == "U6"


@pytest.mark.parametrize("board", ["/etc/hostname", "../samples/boards/quince-12.toml", "pear-3"])
def test_a_name_from_outside_is_never_a_file(page: Any, board: str) -> None:
    found = page.post(
        "/api/verdict", params={"board": board}, content=sample("missing-package"), headers=TEXT
    )
    assert found.status_code == 422
    assert [p["code"] for p in found.json()["problems"]] == ["bench-board"]


@pytest.mark.parametrize("command", ["compare", "case"])
def test_several_runs_are_judged_as_on_the_command_line(page: Any, command: str) -> None:
    names = ["missing-package", "after-swap"]
    texts = [sample(name).decode() for name in names]
    found = page.post(f"/api/{command}", json={"runs": texts})
    assert found.status_code == 200
    assert found.text == printed(command, *(f"samples/{name}.dump" for name in names))
    schemas.check(
        found.json(), {"compare": "memdiag-comparison-1", "case": "memdiag-case-1"}[command]
    )


def test_a_text_without_a_dump_is_refused_with_what_the_command_says(page: Any) -> None:
    found = page.post("/api/verdict", content=b"hello\n", headers=TEXT)
    assert found.status_code == 422
    schemas.check(found.json(), "memdiag-problems-1")
    assert "no-dump" in [p["code"] for p in found.json()["problems"]]


def test_runs_of_two_boards_are_no_case(page: Any) -> None:
    texts = [sample(name).decode() for name in ("missing-package", "ddr4-healthy")]
    found = page.post("/api/case", json={"runs": texts})
    assert found.status_code == 422
    schemas.check(found.json(), "memdiag-problems-1")


def asked(page: Any, text: str) -> Any:
    """A request as the catalogue writes it."""
    head, _, body = text.partition("\n\n")
    first, *rest = head.split("\n")
    method, path = first.split(" ", 1)
    headers = dict(line.split(": ", 1) for line in rest)
    return page.request(method, path, headers=headers, content=body.encode())


@pytest.mark.parametrize(
    ("code", "text"), [(code, t) for code, kind in KINDS.items() for t in kind.provoked_by]
)
def test_each_problem_is_provoked_by_its_inputs(page: Any, code: str, text: str) -> None:
    found = asked(page, text)
    assert 400 <= found.status_code < 500
    if " /api/" in text.split("\n", maxsplit=1)[0]:
        schemas.check(found.json(), "memdiag-problems-1")
        assert [p["code"] for p in found.json()["problems"]] == [code]
    else:
        said = KINDS[code].message.split("{")[0].strip()
        assert said in found.text
