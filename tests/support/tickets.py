"""Tickets filed without judging a dump, as many and as odd as a test wants them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from memdiag.ledger.entries import Entry
from memdiag.ledger.store import file_entry
from memdiag.resources import shipped
from tests.support import schemas

SCOPE = ("site", "channel", "rank", "lane", "dq", "rail", "partition")


def scope(**said: Any) -> dict[str, Any]:
    return {name: said.get(name) for name in SCOPE}


def finding(site: str | None, cause: str, probability: float, **more: Any) -> dict[str, Any]:
    """A finding of `memdiag-verdict/1`."""
    place = scope(site=site, rail=more.pop("rail", None))
    rest = 1 - probability
    made = {
        "scope": place,
        "cause": cause,
        "probability": probability,
        "alternatives": [{"cause": "undecided", "probability": rest}] if rest else [],
        "because_of": None,
        "action": "replace",
        "reason": "its lanes fail",
        "expected": False,
        "evidence": [{"line": 7, "says": "a lane fails"}],
        "next": [],
        "place_probability": min(1.0, probability + 0.01),
        "one_of": [],
    }
    return made | more


def verdict(*findings: dict[str, Any], clear: float = 0.99, **head: str) -> dict[str, Any]:
    """A document of a run with these findings, held to its schema; without any it is clear."""
    first = findings[0] if findings else None
    site = first["scope"]["site"] if first else None
    made: dict[str, Any] = {
        "format": "memdiag-verdict/1",
        "tool": "0.1.0",
        "run": {"board": "quince-12", "stage": "intake"} | head,
        "dump": {
            "sha256": "0" * 64,
            "lines": 12,
            "rows": 9,
            "complete": True,
            "printed": 9,
            "understood": 9,
            "lost": [],
            "unheard": [],
        },
        "summary": {
            "cause": first["cause"] if first else "clear",
            "site": site,
            "action": first["action"] if first else "none",
            "probability": first["probability"] if first else clear,
            "text": f"{site} is {first['cause']}" if first else "no fault found",
            "place": first["scope"] if first else scope(),
            "place_probability": first["place_probability"] if first else 1 - clear,
            "one_of": [],
        },
        "release": {"allowed": first is None, "because": []},
        "findings": list(findings),
        "table": [],
        "problems": [],
        "cautions": [],
        "notes": [],
        "left_out": 0.0,
    }
    schemas.check(made, "memdiag-verdict-1")
    return made


def filed(
    root: Path, ticket: str, *verdicts: dict[str, Any], raw: bytes = b"", **about: Any
) -> Entry:
    """An entry with these verdicts, filed as `attach` files one. `raw` tells it from others."""
    root.mkdir(parents=True, exist_ok=True)
    says = {
        "format": "memdiag-entry/1",
        "tool": "0.1.0",
        "filed": "2031-03-05T16:00:00+00:00",
        "stages": [v["run"].get("stage") for v in verdicts],
        "grammar": None,
        "removed": [],
    }
    board = verdicts[0]["run"].get("board") if verdicts else None
    files = {
        "verdict.json": _json(verdicts[0] if len(verdicts) == 1 else list(verdicts)),
        "entry.json": _json(says | about),
    }
    profile = shipped("samples") / "boards" / f"{board}.toml"
    if profile.is_file():
        files["board.toml"] = profile.read_bytes()
    raw = raw or f"bench-dump 1 {ticket} {_json(list(verdicts)).decode()}".encode()
    stage = str((says | about)["stages"][0]) if verdicts else "run"
    return file_entry(root, ticket, raw, stage, lambda _: files).entry


def _json(value: Sequence[Any] | dict[str, Any]) -> bytes:
    return json.dumps(value).encode()
