"""Dirty pastes: what terminals, clipboards, logs and shells do to a dump.

Reference outside the project: ECMA-48, 5th edition (1991), by clause; RFC 3164 and RFC 3339 for
stamps; the Unicode Standard, 23.8, and Python's codecs for marks and encodings.
"""

from __future__ import annotations

import gc
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.reading.cleaning import decode
from memdiag.reading.cleaning.clean import Cleaned, Line, plain, rejoin, tidy
from memdiag.reading.cleaning.terminal import Tally, shown
from tests.support.marks import examples

DUMP = """\
bench-dump 1
[run]
id  packer-3-0412
board  quince-12
swapped  U3>U5 U5>U3
# taken after the belt stopped
[training]
site ch lane step result width window
U1 0 0 id pass - -
U1 0 0 read pass 0.46UI 0000111111110000
U2 2 1 read marginal 0.21UI 0000001111000000
[end] 3
"""
LINES = DUMP.splitlines()


def each(prefix: str, text: str = DUMP) -> bytes:
    return "".join(f"{prefix}{line}\n" for line in text.splitlines()).encode()


def codes(cleaned: Cleaned) -> list[str]:
    return [p.code for p in cleaned.problems]


def texts(cleaned: Cleaned) -> list[str]:
    return [line.text for line in cleaned.lines]


def spoken(cleaned: Cleaned) -> list[str]:
    """What is left to read: no blank lines, no noise."""
    return [line.text.rstrip() for line in cleaned.lines if line.text.strip()]


def test_a_clean_dump_comes_back_as_it_is() -> None:
    cleaned = tidy(DUMP.encode())
    assert texts(cleaned) == LINES
    assert [line.number for line in cleaned.lines] == list(range(1, len(LINES) + 1))
    assert cleaned.pasted == tuple(LINES)
    assert cleaned.problems == ()
    assert plain(DUMP.encode())


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be"])
def test_marked_encodings(encoding: str) -> None:
    """The marks are those Python's codecs write for U+FEFF."""
    cleaned = tidy("\ufeff".encode(encoding) + DUMP.encode(encoding))
    assert texts(cleaned) == LINES
    assert cleaned.encoding == encoding
    assert codes(cleaned) == ["byte-order-mark"]


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_a_clipboard_without_a_mark(encoding: str) -> None:
    cleaned = tidy(DUMP.replace("\n", "\r\n").encode(encoding))
    assert texts(cleaned) == LINES
    assert codes(cleaned) == ["wide-encoding"]


def test_a_wide_text_cut_in_the_middle_of_a_character() -> None:
    cleaned = tidy("\ufeff".encode("utf-16-le") + DUMP.encode("utf-16-le") + b"U")
    assert texts(cleaned)[:-1] == LINES
    assert "bytes-not-text" in codes(cleaned)


def test_bytes_that_are_no_text_stay_visible_with_their_place() -> None:
    data = DUMP.encode().replace(b"read pass", b"re\xb5d pass")
    cleaned = tidy(data.replace(b"marginal", b"mar\xffginal"))
    assert cleaned.lines[9].text.startswith("U1 0 0 re\\xb5d pass")
    (problem,) = cleaned.problems
    assert (problem.code, problem.position.line, problem.position.column) == (
        "bytes-not-text",
        10,
        10,
    )
    assert "2 bytes" in problem.message
    assert "\\xb5" in problem.message


@pytest.mark.parametrize(
    "rubbish",
    [b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)) * 8, bytes(5000), b"\xff" * 100],
)
def test_rubbish_is_said_to_be_no_text(rubbish: bytes) -> None:
    assert codes(tidy(rubbish)) == ["not-a-text"]  # and nothing else, of all that is odd


def test_rubbish_before_a_dump_does_not_hide_it() -> None:
    """A serial line at the wrong speed prints rubbish until the loader sets it right."""
    cleaned = tidy(b"\xf8\x80\xfc\x1e\x9e\xe6" * 20 + b"\n" + DUMP.encode() * 3)
    assert texts(cleaned)[1:] == LINES * 3
    assert "not-a-text" not in codes(cleaned)
    assert "bytes-not-text" in codes(cleaned)


def test_a_greek_or_german_note_is_no_rubbish() -> None:
    text = DUMP.replace("packer-3", "πρώτη-γραμμή-äöü")
    assert codes(tidy(text.encode())) == []


# -- line ends ---------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["\r\n", "\r\r\n", "\n\r", "\r"])
def test_line_ends(end: str) -> None:
    cleaned = tidy(DUMP.replace("\n", end).encode())
    assert [t for t in texts(cleaned) if t] == LINES
    assert codes(cleaned) == (["old-line-ends"] if end == "\r" else [])


def test_a_counter_that_was_printed_over_is_left_out() -> None:
    cleaned = tidy(DUMP.replace("U2 2", "scan  5 %\rscan 60 %\rscan 100 %\rU2 2").encode())
    assert texts(cleaned) == LINES
    assert codes(cleaned) == ["overprinted-text"]
    assert "3 pieces" in cleaned.problems[0].message
    row = cleaned.lines[10]
    assert row.raw[row.column(1) - 1 :].startswith("U2 2")


def test_two_rows_parted_by_a_lone_return_are_two_rows() -> None:
    """Nothing is printed over where both parts look like rows: losing one would be a guess."""
    cleaned = tidy(DUMP.replace("- -\nU1", "- -\rU1").encode())
    assert texts(cleaned) == LINES
    assert [line.number for line in cleaned.lines] == [1, 2, 3, 4, 5, 6, 7, 8, 9, 9, 10, 11]
    assert codes(cleaned) == ["rows-in-one-line"]
    assert cleaned.lines[9].column(1) == len("U1 0 0 id pass - -") + 2


# -- the terminal ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stream", "seen", "clause"),
    [
        ("\x1b[1;32mpass\x1b[0m", "pass", "5.4 and 8.3.117 SGR"),
        ("\x9b32mpass\x9b0m", "pass", "5.3: CSI as one character 09/11"),
        ("\x1b[38;2;1;2;3mpass\x1b[m", "pass", "5.4.2: parameters parted by 03/11"),
        ("pass\x1b[?25l", "pass", "5.4.1: private parameters begin with 03/12 to 03/15"),
        ("pa\x1b[ qss", "pass", "5.4: intermediate bytes 02/00 to 02/15"),
        ("\x1b]0;rig 3\x07pass", "pass", "8.3.89 OSC, closed by BEL as terminals allow"),
        ("\x1b]0;rig 3\x1b\\pass", "pass", "5.6: a control string closed by ST"),
        ("\x1bP1$r0m\x1b\\pass", "pass", "8.3.27 DCS"),
        ("\x1b_x\x1b\\pa\x1b^y\x9css\x1bXz\x1b\\", "pass", "8.3.2 APC, 8.3.94 PM, 8.3.128 SOS"),
        ("\x1b(Bpa\x1b=ss\x1bc", "pass", "ECMA-35, 13.2; 8.3.105 RIS"),
        ("1\x1b[7b0", "111111110", "8.3.103 REP"),
        ("U3\x1b[3C0", "U3   0", "8.3.20 CUF"),
        ("U3\x1b[9G0", "U3      0", "8.3.9 CHA"),
        ("U3\x1b[9`0", "U3      0", "8.3.57 HPA"),
        ("U3\x1b[2D4", "43", "8.3.18 CUB"),
        ("U3 9\x081", "U3 1", "8.3.5 BS"),
        ("U3 0 paXX\x1b[2D\x1b[Kss", "U3 0 pass", "8.3.41 EL"),
        ("U3\x00 0\x07", "U3 0", "8.3.88 NUL, 8.3.3 BEL"),
        ("pa\x1bOss", "pa s", "8.3.142 SS3: the next character is of another set"),
        ("pa\x8ess", "pa s", "8.3.141 SS2"),
        ("U3\u00a00\u200b pass\ufeff", "U3 0 pass", "no ECMA: blanks of web pages"),
    ],
)
def test_what_a_terminal_would_have_shown(stream: str, seen: str, clause: str) -> None:
    assert [part.text for part in shown(stream, 1, Tally())] == [seen], clause


@pytest.mark.parametrize(
    ("move", "clause"),
    [
        ("\x1b[5;1H", "8.3.21 CUP"),
        ("\x1b[5;1f", "8.3.63 HVP"),
        ("\x1b[E", "8.3.12 CNL"),
        ("\x1b[B", "8.3.19 CUD"),
        ("\x1bE", "8.3.86 NEL"),
        ("\x85", "8.3.86 NEL in eight bits"),
        ("\x0b", "8.3.161 VT"),
        ("\x0c", "8.3.51 FF"),
        ("\r", "8.3.15 CR"),
    ],
)
def test_a_move_to_another_line_parts_rows(move: str, clause: str) -> None:
    parts = shown(f"U1 0 id pass{move}U2 0 id pass", 4, Tally())
    assert [part.text for part in parts] == ["U1 0 id pass", "U2 0 id pass"], clause


TYPED = ["U3", " 0", " pass", "0011", "x"]
CONTROLS = [
    "\x1b[32m",
    "\x1b[0m",
    "\x1b[1;31m",
    "\x1b[38;5;9m",
    "\x1b[K",
    "\x1b[1K",
    "\x1b[2K",
    "\x08",
    "\x1b[3D",
    "\x1b[2C",
    "\x1b[5G",
    "\x00",
    "\x07",
    "\x1b(B",
    "\x1b[?25l",
    "\x1b]0;title\x07",
]


@given(st.lists(st.sampled_from(TYPED) | st.sampled_from(CONTROLS), min_size=1, max_size=14))
@settings(max_examples=examples(300), deadline=None)
def test_a_terminal_emulator_shows_the_same(pieces: list[str]) -> None:
    """Against pyte, an independent emulator of a terminal."""
    pyte = pytest.importorskip("pyte", reason="needs pyte (the `reference` extra)")
    screen = pyte.Screen(300, 3)
    pyte.Stream(screen).feed("".join(pieces))
    (part,) = shown("".join(pieces), 1, Tally())
    assert part.text.rstrip() == screen.display[0].rstrip()


def test_an_unclosed_control_string_takes_no_row_with_it() -> None:
    cleaned = tidy(DUMP.replace("U2 2 1", "\x1b]0;title U2 2 1").encode())
    assert "U2 2 1 read marginal" in cleaned.lines[10].text


@pytest.mark.parametrize("stream", ["\x1b", "\x1b[", "\x1b[12;", "\x9b", "\x1b]", "\x1b[1", "\x8f"])
def test_a_sequence_cut_by_the_line_end(stream: str) -> None:
    (part,) = shown("pass" + stream, 1, Tally())
    assert part.text.rstrip() == "pass"


def test_a_repeat_cannot_swell_a_paste() -> None:
    (part,) = shown("1" + "\x1b[999999999b" * 1000, 1, Tally())
    assert len(part.text) < 10_000


def test_columns_are_those_of_the_pasted_line() -> None:
    raw = "[   12.345678] \x1b[32mU1\x1b[0m 0 0 read pass"
    cleaned = tidy(("\n".join(["[   12.345678] bench-dump 1", raw]) + "\n").encode())
    line = cleaned.lines[1]
    assert line.text == "U1 0 0 read pass"
    for word in line.text.split():
        at = line.text.index(word) + 1
        assert raw[line.column(at) - 1 :].startswith(word), word
    assert line.shift == raw.index("U1")


@given(
    st.lists(
        st.sampled_from(
            ["U3", " ", "pass", "\x1b[32m", "\x1b[0m", "\0", "\u200b", "0x1f", "\u00a0", "\x07"]
        ),
        max_size=20,
    )
)
@settings(max_examples=examples(100), deadline=None)
def test_every_character_left_is_where_column_says(pieces: list[str]) -> None:
    raw = "".join(pieces)
    for line in tidy(raw.encode()).lines:
        for i, char in enumerate(line.text):
            there = raw[line.column(i + 1) - 1]
            assert there == char or (char == " " and there == "\u00a0")


# -- prefixes ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("prefix", "code"),
    [
        ("[   12.345678] ", "time-stamps"),
        ("[12.345678] ", "time-stamps"),
        ("[   12.345678][    T1] ", "time-stamps"),
        ("<6>[   12.345678] ", "time-stamps"),
        ("[Wed Mar  4 12:00:01 2026] ", "time-stamps"),
        ("2026-03-04T12:00:01Z ", "time-stamps"),  # RFC 3339, 5.6
        ("2026-03-04T12:00:01.123456+01:00 ", "time-stamps"),
        ("2026-03-04 12:00:01,123 ", "time-stamps"),
        ("[2026-03-04T12:00:01Z] ", "time-stamps"),
        ("12:00:01.123 ", "time-stamps"),
        ("[12:00:01] ", "time-stamps"),
        ("Mar  4 12:00:01 ", "time-stamps"),  # RFC 3164, 4.1.2
        ("Mar  4 12:00:01 rig3 bench[812]: ", "time-stamps"),
        ("Mar  4 12:00:01 rig3 kernel: ", "time-stamps"),
        ("<6>", "log-prefixes"),  # RFC 3164, 4.1.1
        ("INFO: ", "log-prefixes"),
        ("[info] ", "log-prefixes"),
        ("[I] ", "log-prefixes"),
        ("ttyUSB0: ", "log-prefixes"),
        ("[COM4] ", "log-prefixes"),
        ("> ", "shell-prompts"),
        ("rig$ ", "shell-prompts"),
        ("root@rig:~# ", "shell-prompts"),
    ],
)
def test_a_prefix_on_every_line(prefix: str, code: str) -> None:
    cleaned = tidy(each(prefix))
    assert texts(cleaned) == LINES
    assert codes(cleaned) == [code]
    assert f" {len(LINES)} lines" in cleaned.problems[0].message
    assert {line.shift for line in cleaned.lines} == {len(prefix)}


def test_prefixes_stand_behind_one_another() -> None:
    cleaned = tidy(each("ttyUSB0: 12:00:01.250 <6>[   12.345678] INFO: "))
    assert texts(cleaned) == LINES
    assert codes(cleaned) == ["time-stamps", "log-prefixes"]


def test_stamps_that_differ_from_line_to_line() -> None:
    text = "".join(f"[{i * 7.3:12.6f}] {line}\n" for i, line in enumerate(LINES))
    assert texts(tidy(text.encode())) == LINES


def test_a_stamped_blank_line_is_blank() -> None:
    cleaned = tidy(each("[   12.345678] ", DUMP.replace("[training]", "\n[training]")))
    assert spoken(cleaned) == LINES


def test_stamps_only_where_the_logger_was_attached() -> None:
    """The head and the sections carry it: so does the dump, and rows without it stay rows."""
    stamped = each("12:00:01 ").decode().splitlines()
    stamped[9] = LINES[9]
    assert texts(tidy("\n".join(stamped).encode())) == LINES


LIKE_A_PREFIX = """\
bench-dump 1
[run]
note  12:00:01 INFO: tried again > see ticket
# > rig$ [12.5] <6>
[values]
name value
12:00:01 3
[end] 1
"""


def test_what_only_looks_like_a_prefix_stays() -> None:
    cleaned = tidy(LIKE_A_PREFIX.encode())
    assert texts(cleaned) == LIKE_A_PREFIX.splitlines()
    assert codes(cleaned) == []


@pytest.mark.parametrize(
    "tag", ["[D] ", "[E] ", "CH0> ", "A> ", "U3> ", "12:00:01,", "lane 0: ", "[0] ", "rd 0 | "]
)
def test_the_tags_of_another_layout_are_its_own(tag: str) -> None:
    """No head and no section to go by: a tag that may name a channel or a site is data."""
    text = "".join(f"{tag}{row}\n" for row in ("0011111000", "0001111100", "0000111110"))
    assert texts(tidy(text.encode())) == text.splitlines()


def test_channels_told_apart_by_their_prompts_stay_apart() -> None:
    text = "left> 0011\nright> 0110\n" * 5
    assert texts(tidy(text.encode())) == text.splitlines()


# -- lines that are no part of the dump --------------------------------------------------------


def test_kernel_messages_between_the_rows_are_noise() -> None:
    rows = list(LINES)
    rows.insert(9, "[  123.456789] usb 1-1: new high-speed USB device number 4")
    rows.insert(4, "<4>[  120.000001] random: crng init done")
    cleaned = tidy("\n".join(rows).encode())
    assert spoken(cleaned) == LINES
    assert [line.number for line in cleaned.lines if line.noise == "kernel-messages"] == [5, 11]
    assert len(cleaned.lines) == len(cleaned.pasted) == len(LINES) + 2
    assert codes(cleaned) == ["kernel-messages"]
    assert "2 messages" in cleaned.problems[0].message


def test_kernel_messages_where_the_rows_carry_its_stamp_too() -> None:
    rows = each("[   12.345678] ").decode().splitlines()
    rows.insert(9, "[   12.345699] usb 1-1: new high-speed USB device number 4")
    cleaned = tidy("\n".join(rows).encode())
    assert spoken(cleaned) == LINES
    assert cleaned.lines[9].noise == "kernel-messages"


@pytest.mark.parametrize(
    "message",
    [
        "usb 1-1.2: new high-speed USB device",
        "eth0: link up, 1000 Mbit",
        "ata3.00: configured",
        "hub 1-0:1.0: USB hub found",
        "pcieport 0000:00:1c.0: AER: corrected",
        "mmc0: card removed",
    ],
)
def test_kernel_messages_without_a_stamp(message: str) -> None:
    rows = list(LINES)
    rows.insert(9, message)
    cleaned = tidy("\n".join(rows).encode())
    assert spoken(cleaned) == LINES
    assert codes(cleaned) == ["kernel-messages"]


@pytest.mark.parametrize(
    "row", ["lane 3: 0011", "ch0: 0 wrong", "read training:", "eth0 0 id pass"]
)
def test_rows_that_look_a_little_like_messages(row: str) -> None:
    assert texts(tidy((row + "\n").encode())) == [row]


def test_a_boot_log_before_the_dump() -> None:
    log = "".join(f"[    {i / 10:.6f}] mmc0: something {i}\n" for i in range(300))
    cleaned = tidy((log + DUMP).encode())
    assert spoken(cleaned) == LINES
    assert "300 messages" in cleaned.problems[0].message


def test_commands_round_the_dump_are_noise() -> None:
    text = "root@rig:~# cat run7.txt\n" + DUMP + "root@rig:~# \nrig$ ls -l\nrig> \n"
    cleaned = tidy(text.encode())
    assert spoken(cleaned) == LINES
    assert codes(cleaned) == ["command-lines"]


def test_the_command_that_prints_the_dump_is_no_head() -> None:
    cleaned = tidy(("rig$ bench-dump 1\n" + DUMP).encode())
    assert spoken(cleaned) == LINES


def test_a_prompt_glued_to_the_last_line() -> None:
    cleaned = tidy((DUMP.rstrip("\n") + "root@rig:~# ").encode())
    assert texts(cleaned) == LINES
    assert codes(cleaned) == ["shell-prompts"]


def test_doubled_blank_lines_are_nothing() -> None:
    cleaned = tidy(DUMP.replace("\n", "\n\n").encode())
    assert spoken(cleaned) == LINES
    assert codes(cleaned) == []


def test_tabs_are_blanks_and_keep_their_columns() -> None:
    cleaned = tidy(DUMP.replace(" ", "\t").encode())
    assert texts(cleaned) == LINES
    assert codes(cleaned) == []


# -- cut and mixed captures --------------------------------------------------------------------


def wrapped(text: str, width: int) -> str:
    return "".join(
        line[i : i + width] + "\n"
        for line in text.splitlines()
        for i in range(0, max(1, len(line)), width)
    )


def is_row(text: str) -> bool:
    cells = text.split()
    return len(cells) == 7 and len(cells[6]) in (1, 16)


def test_a_row_cut_at_the_width_of_the_terminal() -> None:
    cleaned = tidy(wrapped(DUMP, 40).encode())
    assert cleaned.wrap_width == 40
    full, cut = (
        next(i for i, line in enumerate(cleaned.lines) if line.text.startswith(start))
        for start in ("U1 0 0 read", "U2 2 1 read")
    )
    assert cleaned.lines[full].width == 40  # full by chance: whole by itself, so left alone
    assert rejoin(cleaned.lines, 40, is_row, full) is None
    joined = rejoin(cleaned.lines, 40, is_row, cut)
    assert joined is not None
    assert joined.text == LINES[10]
    assert (joined.number, joined.took) == (cleaned.lines[cut].number, 2)


def test_lines_that_are_not_full_are_never_joined() -> None:
    lines = [Line(1, "U1 0 0 id", "U1 0 0 id", width=9), Line(2, "pass - -", "pass - -", width=8)]
    assert rejoin(lines, 40, is_row) is None
    assert rejoin(lines, 9, lambda t: t == "U1 0 0 idpass - -") is not None


def test_a_narrow_text_has_no_width() -> None:
    assert tidy(b"bench-dump 1\n[end] 0\n").wrap_width is None


def test_two_captures_through_each_other() -> None:
    pairs = zip(LINES, LINES, strict=True)
    cleaned = tidy("".join(f"{a}\n{b}\n" for a, b in pairs).encode())
    assert codes(cleaned) == ["captures-interleaved"]


def test_two_ports_in_one_log() -> None:
    pairs = zip(LINES, LINES, strict=True)
    cleaned = tidy("".join(f"ttyUSB0: {a}\nttyUSB1: {b}\n" for a, b in pairs).encode())
    assert codes(cleaned) == ["captures-interleaved"]
    assert "ttyUSB0 and ttyUSB1" in cleaned.problems[0].message
    assert cleaned.lines[0].text.startswith("ttyUSB0: ")  # nothing is mixed up by cutting it off


def test_two_ports_one_after_the_other_are_no_mixture() -> None:
    text = each("ttyUSB0: ").decode() + each("ttyUSB1: ").decode()
    assert "captures-interleaved" not in codes(tidy(text.encode()))


def test_a_few_lines_with_a_port_are_no_mixture() -> None:
    rows = [row for i in range(4) for row in (f"port {i % 2}: up", *LINES[8:11])]
    assert "captures-interleaved" not in codes(tidy("\n".join(rows).encode()))


def test_a_message_between_the_pieces_of_a_row_is_not_joined() -> None:
    pieces = [
        Line(1, "U1 0 0 re", "", width=9),
        Line(2, "", "", noise="kernel-messages"),
        Line(3, "ad pass - -", "", width=11),
    ]
    assert rejoin(pieces, 9, is_row) is None
    assert rejoin([pieces[0], pieces[2]], 9, is_row) is not None


def test_bytes_that_are_no_text_in_parts_are_those_of_the_whole() -> None:
    data = b"U1 ok\nU2 \xb5\nU3 ok\nU4 \xff\xfe\n"
    lines = data.splitlines(keepends=True)
    found = decode.NotText()
    texts = []
    for number, line in enumerate(lines):
        text, more = decode.part(line)
        found = found.and_later(more, number)
        texts.append(text)
    whole = decode.decode(data)
    assert "".join(texts) == whole.text
    assert found.said() == whole.problems
    assert found.count == 3


@pytest.mark.parametrize("times", [2, 3])
def test_dumps_one_after_another_are_no_mixture(times: int) -> None:
    assert codes(tidy((DUMP * times).encode())) == []


def test_a_dump_cut_before_the_next_is_no_mixture() -> None:
    assert codes(tidy((DUMP.replace("[end] 3\n", "") + DUMP).encode())) == []


def test_a_missing_head() -> None:
    cleaned = tidy("\n".join(LINES[6:]).encode())
    assert codes(cleaned) == ["head-missing"]
    assert "[training]" in cleaned.problems[0].message


# -- whatever comes ----------------------------------------------------------------------------


@given(
    st.one_of(
        st.binary(max_size=400),
        st.text(max_size=200).map(lambda t: t.encode("utf-8", "surrogatepass")),
        st.lists(
            st.sampled_from(
                [
                    "\r",
                    "\n",
                    "\x1b[",
                    "\x1b]",
                    "0m",
                    "U1 0",
                    "[end] 1",
                    "bench-dump 1",
                    "> ",
                    "<6>",
                    "\b",
                    "12:00:01 ",
                    "[  1.5] ",
                    "\x9d",
                    "\x9c",
                    "%",
                    "5",
                    "rig$ ",
                    "INFO: ",
                    "\x1bE",
                    "\0",
                ]
            ),
            max_size=60,
        ).map(lambda parts: "".join(parts).encode()),
    )
)
@settings(max_examples=examples(300), deadline=None)
def test_any_bytes_are_cleaned_and_every_line_is_accounted_for(data: bytes) -> None:
    cleaned = tidy(data)
    numbers = [line.number for line in cleaned.lines]
    assert numbers == sorted(numbers)
    assert set(numbers) == set(range(1, len(cleaned.pasted) + 1))
    for line in cleaned.lines:
        assert line.raw == cleaned.pasted[line.number - 1]
        assert not line.noise or not line.text
        assert line.text.isprintable() or not line.text.isascii()
        assert 1 <= line.column(1) <= len(line.raw) + 1
    for problem in cleaned.problems:
        problem.sentence().encode()  # printable: no half characters


@given(st.binary(max_size=300))
@settings(max_examples=examples(150), deadline=None)
def test_plain_text_is_never_dirty(data: bytes) -> None:
    """The quick test for big inputs against the slow path."""
    if plain(data):
        found = codes(tidy(data))
        assert not set(found) & {
            "escape-sequences",
            "nul-characters",
            "control-characters",
            "bytes-not-text",
            "byte-order-mark",
            "wide-encoding",
            "backspaces",
            "odd-blanks",
            "overprinted-text",
            "rows-in-one-line",
            "not-a-text",
        }


MILLION = 1_000_000


@pytest.mark.parametrize(
    "unit",
    [
        "1",
        " ",
        "\t",
        "\x1b[",
        "\x1b[1;",
        "\x1b]0;",
        "\x9d",
        "\0",
        "a\b",
        "a\r",
        "5%\r",
        "\n",
        "1\x1b[1024b",
        "a\x1b[999G",
        "\x1b[1K",
        "\x1b[A",
        "12:00:01 ",
        "<6>",
        "> ",
        "[end] ",
        "a@",
        "[ 1.5] ",
        "INFO: ",
        "\u200b",
        "\x8f",
        "\r\n",
        "Mar  4 12:00:01 ",
        "\x1b[9C\x1b[9D",
        "U1 0 ",
    ],
)
def test_a_million_characters_take_linear_time(unit: str) -> None:
    """Eight times the text may take at most some 30 times as long: a square would be 64."""

    def seconds(size: int) -> float:
        data = (unit * (size // len(unit))).encode()
        start = time.process_time()  # what other programs of the machine do is not counted
        tidy(data)
        return time.process_time() - start

    # The garbage of the tests before is not this text's.
    gc.collect()
    gc.freeze()
    try:
        small, large = (min(seconds(MILLION // n) for _ in range(3)) for n in (32, 4))
    finally:
        gc.unfreeze()
    assert large < 30 * max(small, 0.004)
