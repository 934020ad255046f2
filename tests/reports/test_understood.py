"""Where not all of a dump was understood, every answer says how much of it was."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from memdiag.cli.main import app

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
SAID = "239 of 240 rows understood"


@pytest.fixture(scope="module")
def mangled(tmp_path_factory: pytest.TempPathFactory) -> str:
    text = (SAMPLES / "after-swap.dump").read_text(encoding="utf-8")
    good = "U3    4   0     read   pass "
    assert good in text
    path = tmp_path_factory.mktemp("mangled") / "after.dump"
    path.write_text(text.replace(good, "U3    4   0     read   passs"), encoding="utf-8")
    return str(path)


def shown(*words: str) -> str:
    return " ".join(CliRunner().invoke(app, words).stdout.split()).replace("\\", "")


@pytest.mark.parametrize("form", ["text", "markdown", "html", "json"])
def test_an_answer_says_how_much_it_rests_on(mangled: str, form: str) -> None:
    before = str(SAMPLES / "missing-package.dump")
    for command in (("verdict", mangled), ("compare", before, mangled)):
        assert SAID in shown(*command, "--format", form), command[0]
    whole = str(SAMPLES / "after-swap.dump")
    assert "rows understood" not in shown("verdict", whole, "--format", form)


def test_a_table_says_how_much_it_rests_on(mangled: str) -> None:
    assert SAID in shown("read", mangled)


def test_a_document_holds_what_was_lost_and_what_was_not_heard(mangled: str) -> None:
    dump = json.loads(CliRunner().invoke(app, ["verdict", mangled, "--format", "json"]).stdout)[
        "dump"
    ]
    assert (dump["printed"], dump["understood"]) == (240, 239)
    (lost,) = dump["lost"]
    assert lost["kind"] == "cell" and lost["scope"]["site"] == "U3" and "passs" in lost["says"]
    assert dump["unheard"] == []
