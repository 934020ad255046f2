"""Dumps cut out of what a console sends: the same ones however the bytes come in pieces."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.bench import capture_cutter
from memdiag.bench.capture import Ended
from memdiag.bench.capture_noise import JUNK, LEAST, Legibility, share
from memdiag.reading.load import load
from tests.support import strategies
from tests.support.capturing import codes, cut, dumps
from tests.support.marks import examples
from tests.support.serial_line import received

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "samples"
BOOT = b"rig 4 boot rom\r\nloading stage two\r\n"
DUMP = b"""bench-dump 1
[run]
id     CS-7
board  quince-8
[training]
site ch lane step result
U1   0  0    read pass
U1   0  1    read fail
[end] 2
"""
HALF = DUMP[: DUMP.index(b"U1   0  1")]
REST = DUMP[len(HALF) :]


def in_pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    at = [0, *sorted({n % (len(data) + 1) for n in cuts}), len(data)]
    return [data[a:b] for a, b in pairwise(at)]


def test_each_dump_comes_out_as_it_would_be_pasted() -> None:
    text = (SAMPLES / "four-dumps.dump").read_bytes()
    found = dumps(cut(BOOT + text))
    assert [each.ended for each in found] == [Ended.END] * 4
    joined = b"\n".join(each.text for each in found)
    assert joined.split() == (BOOT + text).split()  # nothing is missing, nothing twice
    assert [load(each.text)[0].head.id for each in found] == [run.head.id for run in load(text)]
    assert [each.number for each in found] == [1, 2, 3, 4]
    assert found[0].text.startswith(BOOT)  # as in a paste: nothing is passed over
    lines = (BOOT + text).split(b"\n")
    for each in found:
        assert lines[each.line - 1] == each.text.split(b"\n")[0]


@pytest.mark.parametrize("name", ["console.txt", "commas.csv"])
@pytest.mark.parametrize("front", [b"", b"[   12.345678] ", b"2026-03-04T09:12:00Z "])
def test_other_layouts_end_by_their_own_lines(name: str, front: bytes) -> None:
    text = (SAMPLES / "layouts" / name).read_bytes()
    lines = [front + line for line in text.splitlines(keepends=True)]
    found = dumps(cut(b"".join(lines * 2)))
    assert {each.ended for each in found} == {Ended.END}
    assert len(found) == 2 * len(load(text))


@given(st.data())
@settings(max_examples=examples(30), deadline=None)
def test_however_it_is_cut_the_same_dumps_come_out(data: st.DataObject) -> None:
    """Dumps of random records in every layout, with boot texts, garble, stalls and losses around
    and inside them."""
    written = st.one_of(strategies.bench(), strategies.commas(), strategies.console())
    parts: list[bytes] = []
    for _ in range(data.draw(st.integers(1, 3))):
        parts.append(data.draw(st.sampled_from([b"", BOOT, b"\r\n", b"\x00\xf8\x80" * 200])))
        text = data.draw(written).text.encode()
        inside = data.draw(st.lists(st.integers(0, len(text)), max_size=2).map(sorted))
        mark = data.draw(st.sampled_from([b"<quiet>", b"<lost>", b"\xf9", b""]))
        for at in reversed(inside):
            text = text[:at] + mark + text[at:]
        parts.append(text + data.draw(st.sampled_from([b"", b"<quiet>", b"\n"])))
    script = b"".join(parts)
    most = data.draw(st.sampled_from([100, 1000, 1 << 20]))
    cuts = data.draw(st.lists(st.integers(0, 1 << 16), max_size=40))
    whole = cut(script, most=most)
    assert cut(script, lambda part: in_pieces(part, cuts), most) == whole
    assert cut(script, lambda part: [bytes([byte]) for byte in part], most) == whole
    sent = script.replace(b"<quiet>", b"").replace(b"<lost>", b"")
    at = 0
    for each in dumps(whole):  # each is bytes as they came, in order and none twice
        assert len(each.text) <= most + capture_cutter.LEAD_BYTES
        assert len(each.times) == each.text.count(b"\n") + (not each.text.endswith(b"\n"))
        found = sent.index(each.text, at)
        while sent.count(b"\n", 0, found) + 1 < each.line:  # the same text may have come before
            found = sent.index(each.text, found + 1)
        assert each.line == sent.count(b"\n", 0, found) + 1
        at = found + (len(each.text) if each.final else 0)


def test_the_head_of_the_next_ends_a_dump() -> None:
    cut_short, whole = dumps(cut(HALF + DUMP))
    assert (cut_short.text, cut_short.ended) == (HALF, Ended.NEXT)
    assert (whole.text, whole.ended) == (DUMP, Ended.END)


def test_a_stalled_dump_is_given_out_and_settled_by_the_next_boot() -> None:
    first, settled, after = dumps(cut(HALF + b"<quiet>" + BOOT + DUMP))
    assert (first.text, first.ended, first.final) == (HALF, Ended.STALL, False)
    assert (settled.text, settled.ended, settled.final) == (HALF, Ended.STALL, True)
    assert settled.number == first.number != after.number
    assert after.text == BOOT + DUMP  # what the board printed on its way belongs to that one


def test_a_stalled_dump_that_goes_on_is_one_dump() -> None:
    """Were its rest judged by itself, a fault in the first half would be forgotten."""
    first, whole = dumps(cut(HALF + b"<quiet>" + REST))
    assert not first.final and whole.final
    assert (whole.text, whole.ended, whole.number) == (DUMP, Ended.END, first.number)


def test_a_stalled_dump_that_goes_on_and_stalls_again() -> None:
    more = b"[counts]\nsite ch lane bits errors\n"
    first, second, last = dumps(cut(HALF + b"<quiet>" + more + b"<quiet>U1 0 0 100 0\n[end] 2\n"))
    assert not first.final and not second.final
    assert second.text == HALF + more and second.number == first.number == last.number
    assert last.ended is Ended.END and last.text.startswith(HALF + more)


def test_rows_after_a_stall_that_nothing_settles_are_told_of() -> None:
    events = cut(HALF + b"<quiet>U1 0 1 read fail\n")
    assert [each.final for each in dumps(events)] == [False, True]
    assert codes(events) == ["capture-rest"]


def test_an_end_without_a_line_end_is_an_end() -> None:
    (whole,) = dumps(cut(DUMP.rstrip() + b"<quiet>"))
    assert whole.ended is Ended.END and whole.final
    assert [each.ended for each in dumps(cut(DUMP.rstrip()))] == [Ended.END]
    old = DUMP.replace(b"\n", b"\r")  # lone carriage returns: one line, for what ends lines
    assert [each.ended for each in dumps(cut(old + b"<quiet>"))] == [Ended.END]


def test_nothing_goes_on_over_a_line_that_was_lost() -> None:
    """Rows may be missing, and no end line needs to say how many there were."""
    events = cut(HALF + b"<lost>" + REST + DUMP)
    broken, whole = dumps(events)
    assert (broken.text, broken.ended, broken.final) == (HALF, Ended.LOST, True)
    assert whole.text == DUMP


@pytest.mark.parametrize("stalled", [b"", b"<quiet>"])
def test_a_dump_that_never_ends_is_bounded(stalled: bytes) -> None:
    row = b"U1   0  0    read pass\n"
    events = cut(HALF + stalled + row * 400 + DUMP, most=len(HALF) + 3000)
    assert "capture-endless" in codes(events)
    *_, bounded, whole = dumps(events)
    assert bounded.final and len(bounded.text) <= len(HALF) + 3000
    assert bounded.ended is (Ended.STALL if stalled else Ended.BOUND)
    assert whole.text == DUMP  # and listening goes on


def test_a_layout_without_an_end_ends_by_silence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "plain.lark").write_text(
        "// name: plain\n// about: one line a lane, and nothing after the last\n"
        "// recognise: ^lane report$\n"
        'head: "lane report"\n'
        'training_row: SITE "lane" LANE STEP__READ RESULT\n'
        'SITE: /U[0-9]+/\nLANE: /[0-9]/\nSTEP__READ: "reads"\nRESULT: "pass" | "fail"\n'
        "%ignore / +/\n"
    )
    monkeypatch.setenv("MEMDIAG_GRAMMARS", str(tmp_path))
    text = b"lane report\nU1 lane 0 reads pass\n"
    first, second = dumps(cut(text + b"<quiet>" + BOOT + text))
    assert (first.text, first.ended, first.final) == (text, Ended.STALL, True)
    assert (second.text, second.ended) == (BOOT + text, Ended.CLOSED)


def test_a_dump_whose_head_was_lost_is_told_of() -> None:
    events = cut(b"U1   0  0    read pass\n[end] 1\n" + DUMP)
    assert codes(events) == ["capture-headless"]
    assert [each.text for each in dumps(events)] == [DUMP]
    assert events[0].position.line == 2


def test_garble_before_a_dump_does_not_make_it_unreadable() -> None:
    garble = received(DUMP * 20, 9600, 115200)
    (found,) = dumps(cut(garble + b"\n" + BOOT + DUMP))
    assert found.text == BOOT + DUMP
    _, _, after = dumps(cut(HALF + b"<quiet>" + garble + b"\n" + BOOT + DUMP))
    assert after.text == BOOT + DUMP


def test_no_more_is_held_before_a_dump_than_the_bounds() -> None:
    (found,) = dumps(cut(b"waiting for the operator\n" * 5000 + DUMP))
    lead = found.text.removesuffix(DUMP)
    assert lead.count(b"\n") == capture_cutter.LEAD_LINES
    assert found.line == 5000 - capture_cutter.LEAD_LINES + 1
    (found,) = dumps(cut(b"x" * (1 << 20) + b"\n" + DUMP))  # one line of a megabyte
    assert found.text == DUMP


def test_times_are_those_of_the_first_byte_of_each_line() -> None:
    (found,) = dumps(cut(HALF[:-5] + b"<quiet>" + HALF[-5:] + REST))[-1:]
    early = HALF.count(b"\n")
    assert list(found.times) == [1e9 + 100.0] * early + [1e9 + 115.0] * REST.count(b"\n")


# ---- text or none ----

RATES = (9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)
_TEXT = (SAMPLES / "missing-package.dump").read_bytes().replace(b"\n", b"\r\n")


@pytest.mark.parametrize("nul", [False, True], ids=["as-sampled", "as-nul"])
@pytest.mark.parametrize("heard_at", RATES)
@pytest.mark.parametrize("sent_at", [9600, 115200, 921600])
def test_a_wrong_baud_rate_is_no_text(sent_at: int, heard_at: int, nul: bool) -> None:
    text = _TEXT[: 300 + 300 * sent_at // heard_at]
    heard = received(text, sent_at, heard_at, nul=nul)
    if sent_at == heard_at:
        assert share(heard) == 0
        return
    assert len(heard) >= LEAST
    eyes = Legibility()
    assert eyes.feed(heard) + eyes.pause()
    assert dumps(cut(heard)) == []


@given(st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1))
@settings(max_examples=examples(100), deadline=None)
def test_no_text_is_taken_for_garble(text: str) -> None:
    eyes = Legibility()
    coded = f"\x1b[32m{text}\x1b[0m\r\n\tü — µ\b\n".encode() * 20
    assert eyes.feed(coded) + eyes.pause() == []


@given(st.binary(max_size=3000), st.lists(st.integers(0, 3000), max_size=20))
@settings(max_examples=examples(100), deadline=None)
def test_what_is_garble_does_not_depend_on_the_pieces(data: bytes, cuts: list[int]) -> None:
    whole, parts = Legibility(), Legibility()
    assert whole.feed(data) == [n for piece in in_pieces(data, cuts) for n in parts.feed(piece)]
    assert whole.pause() == parts.pause() and whole.garbled == parts.garbled


def test_the_reader_takes_what_may_stand_before_a_dump() -> None:
    """Its limit for what is no text is not below ours."""
    from memdiag.reading.cleaning import decode

    assert decode._TOO_STRANGE >= JUNK
