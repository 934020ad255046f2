"""Pairs of dumps for the comparison's tests, as the rigs of the packing line print them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.model import Board, Run, Verdict
from memdiag.model.comparison import Comparison
from memdiag.reading.load import load
from memdiag.repair.comparison import compare
from memdiag.reports.comparison_page import comparison_page
from memdiag.reports.formats import render

ROOT = Path(__file__).resolve().parents[2]

BITS = 10**12
HEALTHY: dict[str, Any] = {"id": "pass", "read": "pass", "width": 0.46, "bits": BITS, "errors": 0}
GONE: dict[str, Any] = {
    "id": "no-response",
    "read": "not-run",
    "width": None,
    "bits": None,
    "errors": None,
}
WEAK: dict[str, Any] = {"read": "fail", "width": 0.15, "errors": 5000}
WARNED: dict[str, Any] = {"read": "marginal"}
FIRST = {"id": "before", "stage": "intake", "at": "2031-03-05T09:00:00Z"}
LAST = {"id": "after", "stage": "final", "at": "2031-03-05T15:00:00Z"}


@cache
def board(name: str = "quince-12") -> Board:
    return profiles.read(ROOT / "samples" / "boards" / f"{name}.toml")


def dump(
    over: Mapping[str, Mapping[str, Any]] | None = None,
    *,
    name: str = "quince-12",
    head: Mapping[str, str | None] | None = None,
    columns: Sequence[str] = ("errors",),
    attempts: int | None = None,
    reverse: bool = False,
) -> str:
    """A dump of every lane: `id` and `read` training, one count a lane.

    `over` changes lanes from healthy: by site (`U6`) or by `U6/10/1` (site, channel, lane).
    `errors` may be a list, one a boot attempt (`attempts` of them). `reverse` prints the rows
    from the last to the first. A head key of None is left out.
    """
    this = board(name)
    keys: dict[str, str | None] = {
        "id": "run",
        "board": name,
        "serial": "Q-00417",
        "memory": this.memory,
        "rate": "14.0 Gbit/s",
        "ambient": "23 C",
    } | dict(head or {})
    lines = ["bench-dump 1", "[run]", *(f"{k}  {v}" for k, v in keys.items() if v is not None)]
    training, counts = [], []
    for number, (site, channel, rank, lane) in enumerate(_lanes(this)):
        state = HEALTHY | dict((over or {}).get(site, {}))
        state |= (over or {}).get(f"{site}/{channel}/{lane}", {})
        at = f"{site} {channel} {rank} {lane}"
        width = "-" if state["width"] is None else f"{state['width'] + 0.01 * (number % 3):.2f}UI"
        training.append(f"{at} id {state['id']} -")
        training.append(f"{at} read {state['read']} {width}")
        for attempt in range(attempts or 1):
            cells = [f"{at} walk", str(attempt + 1) if attempts else "-", _cell(state["bits"])]
            for column in columns:
                value = state.get(column, 0)
                cells.append(_cell(value[attempt] if isinstance(value, list) else value))
            counts.append(" ".join(cells))
    if reverse:
        training.reverse()
        counts.reverse()
    lines += ["[training]", "site ch rank lane step result width", *training]
    lines += ["[counts]", "site ch rank lane test attempt bits " + " ".join(columns), *counts]
    return "\n".join([*lines, f"[end] {len(training) + len(counts)}"]) + "\n"


def _lanes(this: Board) -> list[tuple[str, Any, int, int]]:
    return [(s.ref, k.channel, k.rank, k.lane) for s in this.sites for k in s.links]


def _cell(value: object) -> str:
    return "-" if value is None else str(value)


@cache
def run(text: str) -> Run:
    (only,) = load(text)
    return only


@cache
def judged(text: str) -> Verdict:
    """The verdict on a dump, made once for all tests that use it."""
    return judge(run(text))


def before(over: Mapping[str, Mapping[str, Any]] | None = None, **more: Any) -> str:
    return dump(over, **(more | {"head": {**FIRST, **more.get("head", {})}}))


def after(over: Mapping[str, Mapping[str, Any]] | None = None, **more: Any) -> str:
    return dump(over, **(more | {"head": {**LAST, **more.get("head", {})}}))


def compared(one: str, two: str, **more: Any) -> Comparison:
    """The two compared; the document is held to its schema on the way."""
    first, second = run(one), run(two)
    made = compare(first, second, **more)
    document(made)
    return made


def document(made: Comparison) -> dict[str, Any]:
    """The comparison's JSON document, valid by its schema."""
    read: dict[str, Any] = json.loads(render(comparison_page(made), "json"))
    checker().validate(read)
    return read


@cache
def checker(name: str = "memdiag-comparison-1") -> jsonschema.Draft202012Validator:
    schema = json.loads(
        (ROOT / "docs" / "schemas" / f"{name}.schema.json").read_text(encoding="utf-8")
    )
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)
