"""Paste, look, correct, look again."""

from __future__ import annotations

import gzip
import html
import re
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.bench.desk import Desk
from memdiag.bench.refusal import Refusal
from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.reading.corrections import corrected, pasted_lines
from memdiag.reading.load import load
from memdiag.reports.documents import verdict_document
from memdiag.reports.heat_marks import heat_marks, heat_of
from memdiag.reports.packages import COLD, HOT
from tests.bench.test_interface import sample
from tests.support.benchforms import fields, ids, links, paste, send
from tests.support.benchtext import dump

MISSING = sample("missing-package").decode()


def quince(number: int) -> Any:
    return profiles.find(f"quince-{number}")


def test_a_paste_is_answered_with_place_cause_and_action(page: Any) -> None:
    _, seen = paste(page, MISSING)
    plate = seen[seen.index('class="plate') : seen.index("</header>", seen.index('class="plate'))]
    assert '<p class="where">U6</p>' in plate
    assert '<p class="what">missing</p>' in plate
    assert '<p class="do">REPLACE the package at U6</p>' in plate


def test_every_piece_of_evidence_leads_to_its_line(page: Any) -> None:
    _, seen = paste(page, MISSING)
    led = {link[1:] for link in links(seen) if re.fullmatch(r"#d1-L\d+", link)}
    assert len(led) > 4 and led <= ids(seen)
    row = next(n for n, line in enumerate(MISSING.split("\n"), 1) if "no-response" in line)
    assert f"d1-L{row}" in led


def test_in_a_text_of_several_dumps_evidence_leads_to_the_dump_it_is_of(page: Any) -> None:
    _, seen = paste(page, sample("four-dumps").decode())
    led = {link[1:] for link in links(seen) if re.fullmatch(r"#d\d-L\d+", link)}
    assert {one[:2] for one in led} >= {"d1", "d2"} and led <= ids(seen)


def test_a_packed_file_is_read(page: Any) -> None:
    _, seen = paste(page, gzip.compress(MISSING.encode()))
    assert '<p class="where">U6</p>' in seen


def test_a_paste_is_read_as_it_was_pasted(page: Any) -> None:
    """A form is sent with CR LF at its line ends, which are no part of what was pasted."""
    where, _ = paste(page, MISSING)
    assert page.get(f"{where}/copy/json").json()["dump"]["sha256"] == (
        load(MISSING)[0].source.sha256
    )


def test_the_board_can_be_picked(page: Any) -> None:
    nameless = re.sub("(?m)^board .*\n", "", MISSING)
    _, unknown = paste(page, nameless)
    assert "No picture" in unknown
    _, seen = paste(page, nameless, board="quince-12")
    assert "No picture" not in seen and "TOP SIDE" in seen
    first = page.get("/").text
    for name in ("quince-12", "quince-8", "quince-2"):
        assert f"/boards/{name}.svg" in first
        assert page.get(f"/boards/{name}.svg").headers["content-type"].startswith("image/svg+xml")


@pytest.mark.parametrize("board", ["/etc/hostname", "..%2f..%2fsamples%2fboards%2fquince-12.toml"])
def test_a_picture_is_that_of_a_listed_board(page: Any, board: str) -> None:
    assert page.get(f"/boards/{board}.svg").status_code == 404


# --- lines that were not understood -------------------------------------------------------------

WRONG = MISSING.replace("U2    2   0     read   marginal", "U2    2   0     read   margnal!", 1)


def line_of(text: str, words: str) -> int:
    return next(n for n, line in enumerate(text.split("\n"), 1) if words in line)


def test_a_line_that_was_not_understood_is_put_right_in_its_place(page: Any) -> None:
    assert WRONG != MISSING
    number = line_of(WRONG, "margnal!")
    where, seen = paste(page, WRONG)
    assert "1 line not understood" in seen
    block = seen[seen.index(f'id="d1-L{number}"') :][:900]
    assert 'class="lost' in seen and "margnal!" in block and "did you mean" in html.unescape(block)
    right = MISSING.split("\n")[number - 1]
    done = send(page, seen, f"{where}/lines", **{f"line_{number}": right})
    assert done.status_code == 303
    again = page.get(where).text
    assert "not understood" not in again and "1 line corrected by hand" in again
    assert f"was: <code>{html.escape(WRONG.split(chr(10))[number - 1])}</code>" in again
    # Judged like the text that has no mistake.
    told = page.get(f"{where}/copy/json").json()
    assert (
        told["dump"]["lost"] == []
        and told["table"] == verdict_document(judge(load(MISSING)[0]))["table"]
    )


def test_what_nobody_touched_is_not_corrected(page: Any) -> None:
    """A field comes back even where nobody wrote in it, with what cannot be seen made visible."""
    odd = WRONG.replace("margnal!", "marg\u200bnal!")
    where, seen = paste(page, odd)
    assert send(page, seen, f"{where}/lines").status_code == 303
    again = page.get(where).text
    assert "corrected by hand" not in again and "1 line not understood" in again


def test_any_line_can_be_corrected(page: Any) -> None:
    where, seen = paste(page, MISSING)
    number = line_of(MISSING, "U2    2   0     read")
    assert f"line-{number}" not in fields(seen, f"{where}/lines")
    opened = page.get(where, params={"edit": number}).text
    assert fields(opened, f"{where}/lines")[f"line-{number}"] == MISSING.split("\n")[number - 1]


def test_a_text_without_a_dump_is_shown_with_its_lines(page: Any) -> None:
    where, seen = paste(page, "bench-dmp 1\nhello\n")
    assert "No dump was found in it" in seen and "hello" in seen
    opened = page.get(where, params={"edit": 1}).text
    done = send(page, opened, f"{where}/lines", line_1="bench-dump 1")
    assert done.status_code == 303 and 'class="plate' in page.get(where).text


@pytest.mark.parametrize(
    "words", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7*7 }}"]
)
def test_what_a_dump_says_is_never_obeyed(page: Any, words: str) -> None:
    text = MISSING.replace("[training]", f"note {words}\n{words}\n[training]", 1)
    where, seen = paste(
        page, text.replace("U2    2   0     read", f"U2    2   {words}     read", 1)
    )
    for told in (seen, page.get(f"{where}/sheet").text):
        assert words in html.unescape(told)
        assert "<script>alert" not in told and "<img src=x" not in told and " 49 " not in told


def test_too_many_corrections_are_refused(page: Any) -> None:
    where, seen = paste(page, MISSING)
    many = {f"line-{n}": "x" for n in range(1, 400)}
    done = page.post(f"{where}/lines", data=fields(seen, f"{where}/lines") | many)
    assert done.status_code == 422 and "at most 200 lines" in done.text


LINES = st.lists(
    st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=20), min_size=1
)


@settings(suppress_health_check=list(HealthCheck))
@given(LINES, st.dictionaries(st.integers(1, 12), st.text(max_size=20), max_size=4), st.booleans())
def test_only_corrected_lines_change_and_none_moves(
    lines: list[str], fixes: dict[int, str], packed: bool
) -> None:
    """Every other line keeps its number and its text, however the paste came."""
    raw = "".join(f"{line}\n" for line in ["bench-dump 1", *lines]).encode()
    before = pasted_lines(raw)
    after = pasted_lines(corrected(gzip.compress(raw) if packed else raw, fixes))
    assert len(after) == len(before)
    for number, (old, new) in enumerate(zip(before, after, strict=True), 1):
        if number not in fixes:
            assert new == old


def test_without_corrections_the_paste_itself_is_read() -> None:
    packed = gzip.compress(MISSING.encode())
    assert corrected(packed, {}) is packed


# --- heat ---------------------------------------------------------------------------------------


def test_the_picture_says_where_to_heat_and_where_not(page: Any) -> None:
    text = dump(quince(12), gone=["U6"], disturbed=["U7", "U9"])
    verdict = judge(load(text)[0])
    heat = heat_of(verdict)
    assert heat.hot == ("U6",) and set(heat.cold) >= {"U7", "U9"} and not heat.clear
    marks = heat_marks(verdict)
    assert marks["U6"].heat == HOT and marks["U7"].heat == COLD
    _, seen = paste(page, text)
    picture = seen[seen.index("<svg") : seen.index("</svg>")]
    assert (
        picture.count(">HEAT<") == 1 and picture.count(">NO HEAT<") == len(heat.cold) + 1
    )  # and the clock cell
    assert "U6 (work here) (heat)" in picture and "U7 (no heat)" in picture


def test_packages_that_are_not_told_apart_are_not_heated() -> None:
    verdict = judge(load(dump(quince(12), gone=["U6"]))[0])
    first = verdict.findings[0]
    assert heat_of(verdict).hot == ("U6",)
    either = replace(first, one_of=("U5", "U6"))
    apart = heat_of(replace(verdict, findings=(either, *verdict.findings[1:])))
    assert apart.hot == () and {"U5", "U6"} <= set(apart.cold)


def test_a_clear_board_is_green_by_word(page: Any) -> None:
    _, seen = paste(page, sample("healthy").decode())
    assert '<li class="clear"><b>Clear</b>' in seen and 'class="hot"><b>' not in seen


# --- copy ---------------------------------------------------------------------------------------


def test_the_copies_are_what_the_command_line_writes(page: Any) -> None:
    where, _ = paste(page, MISSING)
    told = page.get(f"{where}/copy/text").text
    assert told.startswith("WHERE: U6") and "DO: REPLACE" in told
    assert page.get(f"{where}/copy/markdown").text.startswith("#")
    assert page.get(f"{where}/copy/parquet").status_code == 404
    sheet = page.get(f"{where}/sheet").text
    assert '<p class="where">U6</p>' in sheet and "What to do next" in sheet


# --- the desk -----------------------------------------------------------------------------------


def test_the_desk_holds_so_many_bytes() -> None:
    desk = Desk(most=100)
    first, second = desk.put(b"x" * 60, None), desk.put(b"y" * 30, None)
    assert desk.take(first.number) is first  # looked at: the other one is older now
    third = desk.put(b"z" * 20, None)
    assert desk.take(third.number) is third and desk.take(first.number) is first
    with pytest.raises(Refusal):
        desk.take(second.number)
    large = desk.put(b"w" * 1000, None)
    assert desk.take(large.number) is large  # what came last is there whatever its size
    with pytest.raises(Refusal):
        desk.take(first.number)
