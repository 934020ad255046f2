"""The shop's settings: the page that lists them against the code, and what a wrong file is told."""

from __future__ import annotations

import math
import os
import re
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.diagnosis import faults, ranges
from memdiag.diagnosis import settings as shop
from memdiag.diagnosis.judge import judge
from memdiag.diagnosis.settings import BadSettings, Settings
from memdiag.model import vocabulary
from memdiag.model.problems.settings import KINDS
from memdiag.reading import load
from memdiag.reports import documents
from memdiag.reports.verdict_page import verdict_page
from tests.support import schemas
from tests.support.marks import examples

FILE = Path(__file__).resolve().parents[2] / "docs" / "settings.md"
SAMPLES = FILE.parents[1] / "samples"
PAGE = FILE.read_text(encoding="utf-8")
KEYS = {
    "priors": tuple(faults.priors()),
    **{t: getattr(Settings(), t).__struct_fields__ for t in ("stages", "costs", "worth", "limits")},
}
HEADINGS = {
    "priors": "## Priors",
    "stages": "## What the run declares",
    "costs": "## Costs",
    "worth": "## Worth",
    "limits": "## Limits",
}


def listed(table: str) -> dict[str, tuple[str, str]]:
    """The settings that the page lists under the heading of a table: default and meaning."""
    start = PAGE.index(HEADINGS.get(table, "## Words") + "\n")
    end = PAGE.find("\n## ", start + 1)
    rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \| ([^|]+) \|$", PAGE[start:end], re.MULTILINE)
    assert len({name for name, *_ in rows}) == len(rows)
    return {name: (value.strip(), says.strip()) for name, value, says in rows}


def range_of(table: str, key: str) -> ranges.Range:
    if table == "priors":
        return ranges.EXPECTED
    return ranges.ranges(type(getattr(Settings(), table)))[key]


def value_of(read: Settings, table: str, key: str) -> float | None:
    if table == "priors":
        return read.prior(faults.priors()[key])
    return getattr(getattr(read, table), key)


def test_the_table_of_priors_is_the_catalogue() -> None:
    """MEMDIAG_WRITE_GOLDENS=1 writes it anew: read the difference before you keep it."""
    rows = ["| setting | default | what it is | where the figure comes from |", "|---|---|---|---|"]
    rows += [
        f"| `{p.name}` | {p.expected:g} | {p.says} | {p.source} |" for p in faults.priors().values()
    ]
    heading = HEADINGS["priors"] + "\n"
    before, after = PAGE.split(heading)
    made = re.sub(r"(?:^\|.*\n)+", "\n".join(rows) + "\n", after, count=1, flags=re.MULTILINE)
    if os.environ.get("MEMDIAG_WRITE_GOLDENS"):
        FILE.write_text(before + heading + made, encoding="utf-8")
    else:
        assert made == after


def test_the_page_lists_what_may_differ_between_runs() -> None:
    assert Settings().compare.harmless == ()
    read = shop.parse('[compare]\nharmless = ["fixture"]\n')
    assert read.compare.harmless == ("fixture",)
    part = PAGE[PAGE.index("## Comparing\n") :].split("\n## ")[0]
    assert re.findall(r"^\| `(\w+)` \|", part, re.MULTILINE) == list(read.compare.__struct_fields__)


@pytest.mark.parametrize("table", ["stages", "costs", "worth", "limits"])
def test_the_page_lists_every_setting_with_its_default(table: str) -> None:
    on_page = listed(table)
    assert tuple(on_page) == KEYS[table]
    for name, (said, meaning) in on_page.items():
        default = value_of(Settings(), table, name)
        assert (None if said == "not set" else float(said)) == default, name
        assert len(meaning) > 10


@pytest.mark.parametrize(("table", "key"), [(t, key) for t, keys in KEYS.items() for key in keys])
def test_a_number_has_a_closed_range_and_the_page_says_it(table: str, key: str) -> None:
    """Its ends are taken; what is beyond them, endless or no number is refused by name."""
    within = range_of(table, key)
    start = PAGE.index(HEADINGS[table] + "\n")
    before_table = PAGE[start : PAGE.index("\n|", start)]
    of_all = re.search(r"(?<!\S)(\d\S* to [\d.e-]*\d)", " ".join(before_table.split()))
    said = of_all[1] if of_all else listed(table)[key][1].rpartition("; ")[2]
    assert said == str(within)
    for value in within:
        assert value_of(shop.parse(f"[{table}]\n{key} = {value!r}\n"), table, key) == value
    beyond = (math.nextafter(within.least, -math.inf), math.nextafter(within.most, math.inf))
    for wrong in (*beyond, math.inf, -math.inf, math.nan, 10**400):
        with pytest.raises(BadSettings, match=rf"{table}\.{key}"):
            shop.parse(f"[{table}]\n{key} = {wrong!r}\n")


def test_settings_made_in_python_are_held_to_the_same_ranges() -> None:
    with pytest.raises(ValueError, match="missing is inf"):
        Settings(priors={"missing": math.inf})
    with pytest.raises(ValueError, match="confidence is 1"):
        shop.Limits(confidence=1.0)
    with pytest.raises(ValueError, match="replace is nan"):
        shop.Costs(replace=math.nan)


def test_every_table_is_on_the_page() -> None:
    assert {*HEADINGS, "compare", "words"} == set(Settings.__struct_fields__)
    assert tuple(listed("words")) == shop.Words.__struct_fields__ == vocabulary.KINDS


def test_a_shops_own_words_stand_for_those_of_a_dump() -> None:
    text = "[words.result]\nKa-putt = 'fail'\n[words.column]\n'test area' = 'test'\n"
    words = shop.parse(text).words.vocabulary()
    assert words.meant("result", "ka_putt") == "fail"
    assert words.meant("column", "Test Area") == "test"
    assert words.meant("result", "FAILED") == "fail"  # the shipped ones stay
    assert vocabulary.shipped().meant("result", "kaputt") is None


def test_the_sum_of_the_priors_is_what_the_page_says() -> None:
    total = math.fsum(p.expected for p in faults.priors().values())
    said = re.search(r"together they come to about ([\d.]+)", PAGE)
    assert said is not None
    assert round(total, 1) == float(said.group(1))


def test_the_example_of_the_page_is_a_shop_file() -> None:
    block = re.search(r"^```toml[^\n]*\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    assert block is not None
    read = shop.parse(block.group(1), "example")
    assert value_of(read, "priors", "missing") == 0.08
    assert read.costs.returned == 400
    assert read.limits.target_rate == 1e-13
    assert read.stages == Settings().stages  # a table left out keeps its defaults
    for key in ("priors", "bridge"), ("costs", "replace_good"):  # and so does a key
        assert value_of(read, *key) == value_of(Settings(), *key)


def test_nothing_set_is_the_default() -> None:
    assert shop.parse("") == Settings()


DEEP_OR_HUGE = (
    ("costs = " + "[" * 3000, "shop-unreadable", "nested too deeply"),
    ("[costs]\nreplace" + ".a" * 150 + " = 1\n", "shop-key", "costs.replace"),
    ("[costs]\nreplace" + ".'#'" * 10**5 + " = 1\n", "shop-unreadable", "nested too deeply"),
    ("costs = {replace" + " . a" * 10**5 + " = 1}\n", "shop-unreadable", "nested too deeply"),
    ("[costs]\nreplace = " + "9" * 10**6 + "\n", "shop-unreadable", "too many digits"),
    ("[costs]\nreplace = 0x" + "f" * 10**6 + "\n", "shop-key", "costs.replace"),
)


@pytest.mark.parametrize(
    ("text", "code", "says"),
    [
        ("[priors]\nmising = 0.1\n", "shop-key", "the nearest is missing"),
        ("[prices]\nreplace = 4\n", "shop-key", "no key prices"),
        ("[costs]\nreplace = -4\n", "shop-key", "costs.replace"),
        ("[limits]\nconfidence = 'high'\n", "shop-key", "limits.confidence"),
        ("[limits]\nconfidence = 1.5\n", "shop-key", "limits.confidence"),
        ("[words.result]\nkaputt = 'broken'\n", "shop-key", "words.result.kaputt is broken"),
        ("[words.step]\nlesen = 'raed'\n", "shop-key", "known are id, ca"),
        ("[words.colour]\nred = 'fail'\n", "shop-key", "no key colour"),
        ("[words.result]\nkaputt = 7\n", "shop-key", "words.result"),
        ("[priors]\nmissing = 'much'\n", "shop-key", "priors.missing"),
        ("costs = 3\n", "shop-key", "costs"),
        ("[priors\nmissing = 1", "shop-unreadable", "no TOML"),
        *(pytest.param(*told, id=f"deep-or-huge-{n}") for n, told in enumerate(DEEP_OR_HUGE)),
    ],
)
def test_a_wrong_file_is_told_what_is_wrong(text: str, code: str, says: str) -> None:
    with pytest.raises(BadSettings) as wrong:
        shop.parse(text, "our.toml")
    assert wrong.value.problem.code == code
    assert says in wrong.value.problem.message
    assert "our.toml" in wrong.value.problem.message


def test_a_file_that_is_not_there_or_no_text(tmp_path: Path) -> None:
    with pytest.raises(BadSettings) as wrong:
        shop.read(tmp_path / "none.toml")
    assert wrong.value.problem.code == "shop-unreadable"
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadSettings, match="UTF-8"):
        shop.read(tmp_path / "bytes.toml")
    with pytest.raises(BadSettings, match="larger than 1 MiB"):  # read to its end it has none
        shop.read("/dev/zero")


@pytest.mark.parametrize("code", KINDS)
def test_each_message_is_provoked_by_its_inputs(code: str) -> None:
    for text in KINDS[code].provoked_by:
        assert isinstance(text, str)
        with pytest.raises(BadSettings) as wrong:
            shop.parse(text)
        assert wrong.value.problem.code == code


@settings(max_examples=examples(60), deadline=None)
@given(st.data())
def test_what_is_set_is_what_is_read(data: st.DataObject) -> None:
    """Any setting of any table, and no other, takes the value of the file."""
    table = data.draw(st.sampled_from(list(HEADINGS)))
    name = data.draw(st.sampled_from(KEYS[table]))
    value = data.draw(st.floats(*range_of(table, name)))
    read = shop.parse(f"[{table}]\n{name} = {value!r}\n")
    for other, keys in KEYS.items():
        for key in keys:
            expected = value if (other, key) == (table, name) else value_of(Settings(), other, key)
            assert value_of(read, other, key) == expected


def shops() -> st.SearchStrategy[Settings]:
    """Any settings that pass the door, their ends more often than not."""

    def of_table(table: str) -> st.SearchStrategy[dict[str, float]]:
        numbers = {
            key: st.sampled_from(range_of(table, key)) | st.floats(*range_of(table, key))
            for key in KEYS[table]
        }
        return st.fixed_dictionaries({}, optional=numbers)

    tables = st.fixed_dictionaries({table: of_table(table) for table in KEYS})
    return tables.map(lambda raw: msgspec.convert(raw, Settings))


NAMES = ("missing-package", "healthy", "after-swap", "ddr4-dead-line", "ddr4-healthy")


@settings(max_examples=examples(25), deadline=None)
@given(shops(), st.sampled_from(NAMES))
def test_no_settings_put_anything_but_numbers_into_a_document(given_: Settings, name: str) -> None:
    """The document is held to its schema, and its text to the letter of JSON, by what makes it."""
    (run,) = load.load(SAMPLES / f"{name}.dump")
    verdict = judge(run, settings=given_)
    document = schemas.strictly(documents.render(verdict_page([verdict])))
    assert 0 <= document["summary"]["probability"] <= 1


@settings(max_examples=examples(60), deadline=None)
@given(st.text(max_size=60))
def test_no_text_makes_anything_but_a_shop_or_a_reason(text: str) -> None:
    try:
        assert isinstance(shop.parse(text), Settings)
    except BadSettings as wrong:
        assert wrong.problem.hint
