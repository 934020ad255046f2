"""The JSON documents: held to their schemas, and to what a schema cannot say."""

from __future__ import annotations

import copy
import json
import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, ValidationError

from memdiag.boards import profiles
from memdiag.cli import main
from memdiag.diagnosis.judge import judge
from memdiag.model import WANTS_WORK
from memdiag.model.table import COLUMNS
from memdiag.reading import load
from memdiag.reports.documents import verdict_document
from memdiag.reports.formats import render
from memdiag.reports.plain import json_text
from memdiag.reports.rails_page import rails_page
from memdiag.reports.verdict_page import verdict_page
from tests.support import rails, schemas
from tests.support.benchtext import dump
from tests.support.marks import examples

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
NAMES = sorted(path.stem for path in SAMPLES.glob("*.dump"))

Document = dict[str, Any]


def made(source: str | Path) -> list[Document]:
    return [verdict_document(judge(run)) for run in load.load(source)]


def beyond_the_schema(document: Document) -> None:
    """What the schema cannot say of a verdict."""
    schemas.check(document, "memdiag-verdict-1")
    findings, summary = document["findings"], document["summary"]
    for finding in findings:
        others = [a["cause"] for a in finding["alternatives"]]
        assert len(set(others)) == len(others) and finding["cause"] not in others
        chances = [finding["probability"], *(a["probability"] for a in finding["alternatives"])]
        assert math.fsum(chances) == pytest.approx(1, abs=1e-6)
        assert len(finding["one_of"]) != 1, "one package is a place, and no group"
        if finding["cause"] not in ("clear", "spillover"):
            assert finding["place_probability"] >= finding["probability"] - 1e-9
        assert any(v is not None for v in finding["scope"].values()) or (
            finding["action"] != "replace"
        ), "nobody can replace a package at no place"
    # Those that want action come first, then the expected ones and the disturbed.
    groups = [2 if f["cause"] == "spillover" else 1 if f["expected"] else 0 for f in findings]
    assert groups == sorted(groups)
    if summary["cause"] == "clear":
        assert not [f for f in findings if f["action"] in set(WANTS_WORK)]
    for row in document["table"]:
        assert tuple(row) == COLUMNS
        if row["errors"] is not None and row["bits"]:
            assert row["ber_low"] <= row["ber"] <= row["ber_high"]
        else:
            assert row["ber"] is row["ber_low"] is row["ber_high"] is None
        assert row["steps_failed"] <= row["steps_run"]


# ---- the schemas themselves ----


def test_there_is_a_schema_for_every_document() -> None:
    assert schemas.NAMES == (
        "memdiag-batch-1",
        "memdiag-case-1",
        "memdiag-comparison-1",
        "memdiag-ledger-1",
        "memdiag-outcome-1",
        "memdiag-problems-1",
        "memdiag-soak-1",
        "memdiag-statistics-1",
        "memdiag-verdict-1",
    )


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_document_holds_what_is_no_number(value: float) -> None:
    """Wherever a number stands in a document, the check of every document sees one that is none,
    which a schema alone does not: nothing is larger than NaN. Nor is it ever written."""
    document = verdict_document(judge(*load.load(SAMPLES / "weak-package.dump")))
    places = list(_numbers(document))
    assert len(places) > 50
    for holder, key in places:
        kept, holder[key] = holder[key], value
        with pytest.raises(ValidationError):
            schemas.check(document, "memdiag-verdict-1")
        with pytest.raises(ValueError, match="JSON compliant"):
            json_text(document)
        holder[key] = kept
    schemas.check(document, "memdiag-verdict-1")


def _numbers(part: Any) -> Iterator[tuple[Any, Any]]:
    """Each number as its object or list and its key there."""
    for key, value in part.items() if isinstance(part, dict) else enumerate(part):
        if isinstance(value, float):
            yield part, key
        elif isinstance(value, dict | list):
            yield from _numbers(value)


@pytest.mark.parametrize("name", schemas.NAMES)
def test_a_schema_is_a_schema(name: str) -> None:
    schema = schemas.published(name)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(schema)
    assert schema["title"].replace("/", "-") == name


def test_published_schemas_leave_room_for_new_fields() -> None:
    document = made(SAMPLES / "healthy.dump")[0] | {"of_a_later_version": 1}
    Draft202012Validator(schemas.published("memdiag-verdict-1")).validate(document)
    with pytest.raises(ValidationError):
        schemas.check(document, "memdiag-verdict-1")


# ---- every sample ----


@pytest.mark.parametrize("name", NAMES)
def test_documents_of_the_samples(name: str) -> None:
    text = (SAMPLES / f"{name}.dump").read_bytes()
    documents = made(SAMPLES / f"{name}.dump")
    lines = text.count(b"\n") + 1
    for document in documents:
        beyond_the_schema(document)
        quoted = [e["line"] for f in document["findings"] for e in f["evidence"]]
        assert all(line is None or 1 <= line <= lines for line in quoted)
        assert document["dump"]["lines"] <= lines
    findings = [f for d in documents for f in d["findings"] if f["action"] in set(WANTS_WORK)]
    assert all(any(e["line"] for e in f["evidence"]) for f in findings)


@pytest.mark.parametrize(("name", "many"), [("ddr4-missing", False), ("four-dumps", True)])
def test_the_command_prints_one_object_or_an_array(
    name: str, many: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = SAMPLES / f"{name}.dump"
    monkeypatch.setattr(sys, "argv", ["memdiag", "verdict", str(path), "--format", "json"])
    with pytest.raises(SystemExit):
        main.main()
    printed = schemas.strictly(capsys.readouterr().out)
    assert printed == json.loads(json.dumps(made(path) if many else made(path)[0]))


def test_ohm_readings_give_the_same_document() -> None:
    board = profiles.find("quince-12")
    assert board is not None
    report = rails.check(["VDD_MEM_A=0.4:settled", "VDD_MEM_B=0L"], board)
    document = schemas.strictly(render(rails_page(report), "json"))
    beyond_the_schema(document)
    assert [r["ohms"] for r in document["readings"]] == [0.4, None]


# ---- dumps of many kinds ----

PLACES = {
    name: [s.ref for s in (profiles.find(name) or pytest.fail(name)).sites]
    for name in ("quince-2", "quince-8")
}


@st.composite
def dumps(draw: st.DrawFn) -> str:
    name = draw(st.sampled_from(sorted(PLACES)))
    board = profiles.find(name)
    assert board is not None
    some = st.lists(st.sampled_from(PLACES[name]), unique=True, max_size=2)
    head = draw(
        st.sampled_from(
            [
                {},
                {"removed": PLACES[name][0]},
                {"board": "nobody-knows"},
                {"memory": "ddr3"},
                {"stage": 'of "ours" <b>'},
            ]
        )
    )
    extra = draw(
        st.sampled_from(
            [
                "",
                "[rails]\nrail ohms trend\nVDD_MEM 0.4 settled",
                "[errors]\nsite ch lane address wrote read\n"
                f"{PLACES[name][0]} 0 0 0x1000 0x00 0x04",
            ]
        )
    )
    return dump(
        board, head=head, gone=draw(some), thin=draw(some), disturbed=draw(some), extra=extra
    )


@given(dumps())
@settings(max_examples=examples(25), deadline=None)
def test_documents_of_dumps_of_many_kinds(text: str) -> None:
    for run in load.load(text):
        verdict = judge(run)
        beyond_the_schema(schemas.strictly(render(verdict_page([verdict]), "json")))


# ---- the schema has teeth ----


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("summary"),
        lambda d: d.update(format="memdiag-verdict/2"),
        lambda d: d["dump"].update(sha256="beef"),
        lambda d: d["summary"].update(cause="broken"),
        lambda d: d["summary"].update(probability=1.01),
        lambda d: d["summary"].update(place_probability=-0.01),
        lambda d: d["summary"].update(place="U3"),
        lambda d: d["findings"][0].update(place_probability=1.01),
        lambda d: d["findings"][0].update(place_probability=None),
        lambda d: d["findings"][0].update(one_of=["U3", "U3"]),
        lambda d: d["findings"][0].update(one_of=[""]),
        lambda d: d["findings"][0].update(action="leave"),
        lambda d: d["findings"][0].update(because_of="U1"),
        lambda d: d["findings"][0]["scope"].pop("dq"),
        lambda d: d["findings"][0]["scope"].update(dq=[3, 3]),
        lambda d: d["findings"][0]["evidence"][0].update(line=0),
        lambda d: d["findings"][0].update(expected=True),
        lambda d: d["findings"][-1].update(because_of=None),
        lambda d: d["table"][0].update(bits=-1),
        lambda d: d["table"][0].pop("ber_low"),
        lambda d: d["table"][0].update(worst_result="dead"),
        lambda d: d.update(extra=None),
    ],
)
def test_a_broken_document_is_refused(spoil: Callable[[Document], object]) -> None:
    document = copy.deepcopy(made(SAMPLES / "ddr4-missing.dump")[0])
    assert document["findings"][-1]["cause"] == "spillover"
    spoil(document)
    with pytest.raises(ValidationError):
        schemas.check(document, "memdiag-verdict-1")
