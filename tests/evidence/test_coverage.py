"""What of a board was heard, and what was not."""

from __future__ import annotations

import pytest

from memdiag.boards import profiles
from memdiag.evidence import coverage
from memdiag.evidence.measurements import Measurements, measure
from memdiag.model import Place
from memdiag.reading.load import load


def measured(text: str) -> Measurements:
    run = load(text)[0]
    return measure(run, profiles.for_run(run)[0])


HEAD = "bench-dump 1\n[run]\nboard quince-8\n"
LANES = {1: 0, 2: 2, 3: 4, 4: 6, 5: 1, 6: 3, 7: 5, 8: 7}


def training(*steps: str, but: tuple[int, ...] = (), result: str = "pass") -> str:
    rows = [
        f"U{n} 0 {lane} {step} {result}"
        for n, lane in LANES.items()
        for step in steps
        if n not in but
    ]
    return "[training]\nsite ch lane step result\n" + "\n".join(rows) + "\n"


def counts(*, but: tuple[int, ...] = ()) -> str:
    rows = [f"U{n} 0 {lane} 1000000 0" for n, lane in LANES.items() if n not in but]
    return "[counts]\nsite ch lane bits errors\n" + "\n".join(rows) + "\n"


def silent(text: str) -> set[str | None]:
    return {place.site for place in coverage.unheard(measured(HEAD + text + "[end]\n"))}


EVERY = {f"U{n}" for n in LANES}


@pytest.mark.parametrize(
    ("text", "unheard"),
    [
        (training("id", "ca", "level"), EVERY),  # they answer: that is no measurement
        (training("id", "read"), set()),
        (training("write"), set()),
        (training("read", but=(3,)), {"U3"}),
        (training("read", but=(3,)) + counts(), set()),
        (counts(but=(1, 2)), {"U1", "U2"}),
        (training("read", result="not-run"), EVERY),
        (training("id") + "[errors]\nch address mask\n", EVERY),  # nobody says that a test ran
        (training("id") + counts(but=(5,)) + "[errors]\nch address mask\n", set()),
        ("[training]\nch step result\n0 read pass\n", set()),  # a result of the whole channel
        ("[training]\nstep result\nread pass\n", set()),  # and of the whole board
    ],
)
def test_links_that_no_measurement_speaks_of(text: str, unheard: set[str]) -> None:
    assert silent(text) == unheard


def test_a_list_of_errors_that_is_capped_or_cut_speaks_for_nobody_else() -> None:
    words = "[errors]\nsite ch address mask\n" + "".join(f"U1 0 0x{n:x} 0x1\n" for n in range(4))
    some = "[counts]\nsite ch lane bits errors\nU1 0 0 1000000 {}\n"
    assert silent(some.format(4) + words) == set()
    assert silent(some.format(4000) + words) == EVERY - {"U1"}
    cut = measured(HEAD + some.format(4) + words)  # no end line
    assert {p.site for p in coverage.unheard(cut)} == EVERY - {"U1"}


def test_a_site_that_is_empty_on_purpose_is_not_asked() -> None:
    assert silent("removed U2\n" + training("read", but=(2,))) == set()


def test_a_step_that_leaves_a_lane_out_is_told() -> None:
    text = HEAD + training("read") + training("write", but=(8,)) + "[end]\n"
    (stop,) = coverage.stopped(measured(text))
    assert (stop.step, stop.printed) == ("write", 7)
    assert [p.site for p in stop.lacking] == ["U8"]


@pytest.mark.parametrize("step", ["level", "gate", "read", "write"])
def test_a_step_of_each_lane_that_stops_half_way_is_told(step: str) -> None:
    text = HEAD + training(step, but=(5, 6, 7, 8)) + counts() + "[end]\n"
    (stop,) = coverage.stopped(measured(text))
    assert stop.printed == 4 and len(stop.lacking) == 4


PORTS = "[training]\nsite ch step result\n"
TWO = "bench-dump 1\n[run]\nboard quince-2\n"


@pytest.mark.parametrize(
    ("rows", "lacking"),
    [
        ("U1 0 id pass\nU1 1 id pass\n", 2),  # channel by channel, and stopped half-way
        ("U1 0 id pass\nU1 1 id pass\nU2 2 id pass\n", 1),
        ("U1 0 id pass\nU2 2 id pass\n", 0),  # one channel of each package stands for it
        ("U1 0 id pass\n", 3),  # and nothing of the lanes came after it
    ],
)
def test_a_step_of_channels_that_stops_half_way_is_told(rows: str, lacking: int) -> None:
    read = "[counts]\nch bits errors\n" + "".join(f"{n} 900000 0\n" for n in range(4))
    trained = "".join(f"- {n} read pass\n" for n in range(4)) if not lacking else ""
    text = TWO + PORTS + rows + trained + read + "[end]\n"
    found = [len(s.lacking) for s in coverage.stopped(measured(text)) if s.step == "id"]
    assert found == ([lacking] if lacking else [])


def test_a_rig_that_counts_clean_lanes_counts_all() -> None:
    text = HEAD + training("read") + counts(but=(8,)) + "[end]\n"
    (stop,) = coverage.stopped(measured(text))
    assert stop.what == "a count" and [p.site for p in stop.lacking] == ["U8"]
    only_bad = "[counts]\nsite ch lane bits errors\nU2 0 2 1000000 4\n"
    assert list(coverage.stopped(measured(HEAD + training("read") + only_bad + "[end]\n"))) == []


def test_bits_without_a_word_of_errors_are_no_count() -> None:
    table = counts().replace("errors", "slips")
    assert silent(table) == EVERY
    found = measured(HEAD + table + "[end]\n")
    assert len(coverage.uncounted(found)) == 8
    listed = measured(HEAD + table + "[errors]\nch address mask\n[end]\n")
    assert coverage.uncounted(listed) == ()


def test_a_lane_that_passes_without_an_eye_where_all_others_have_one_is_told() -> None:
    rows = "".join(f"U{n} 0 {lane} read pass {{U{n}}}\n" for n, lane in LANES.items())
    eyes = dict.fromkeys((f"U{n}" for n in LANES), "0.5UI")
    head = HEAD + "[training]\nsite ch lane step result width\n"
    assert list(coverage.stopped(measured(head + rows.format(**eyes) + "[end]\n"))) == []
    (stop,) = coverage.stopped(measured(head + rows.format(**{**eyes, "U5": "-"}) + "[end]\n"))
    assert stop.what == "the read eye" and [p.site for p in stop.lacking] == ["U5"]
    half = {**eyes, **dict.fromkeys(("U1", "U2", "U3", "U4"), "-")}
    assert list(coverage.stopped(measured(head + rows.format(**half) + "[end]\n"))) == []


def test_a_step_that_a_rig_prints_for_a_channel_is_not_asked_of_each_package() -> None:
    """Commands are trained for a channel, whoever of its packages answers (common practice, no
    source): one row says it."""
    text = HEAD + training("read") + training("ca", but=(2, 3, 4, 5, 6, 7, 8)) + "[end]\n"
    assert list(coverage.stopped(measured(text))) == []


def test_a_step_that_is_printed_lane_by_lane_names_every_lane() -> None:
    rows = "".join(f"{ch} {lane} vref pass\n" for ch in range(4) for lane in range(2))
    table = "[training]\nch lane step result\n"
    reads = rows.replace("vref", "read")
    assert list(coverage.stopped(measured(TWO + table + rows + reads + "[end]\n"))) == []
    short = rows.removesuffix("3 1 vref pass\n")
    (stop,) = coverage.stopped(measured(TWO + table + short + reads + "[end]\n"))
    assert stop.step == "vref" and [(p.channel, p.lane) for p in stop.lacking] == [(3, 1)]


def test_a_step_that_names_some_packages_of_a_channel_names_all() -> None:
    text = HEAD + training("read") + training("ca", but=(5, 6, 7, 8)) + "[end]\n"
    (stop,) = coverage.stopped(measured(text))
    assert stop.printed == 4 and [p.site for p in stop.lacking] == ["U5", "U6", "U7", "U8"]


def test_a_step_that_fails_everywhere_while_data_passes_is_the_rigs_habit() -> None:
    good = training("read", "write")
    assert coverage.habits(measured(HEAD + training("gate", result="fail") + good)) == {"gate"}
    one_passes = training("gate", result="fail", but=(4,)) + "U4 0 6 gate pass\n"
    assert coverage.habits(measured(HEAD + one_passes + good)) == frozenset()
    # One that fails the data steps too has a fault of its own; where many do, the step may be why.
    one_fails = training("gate", result="fail") + good + "U4 0 6 read fail\n"
    assert coverage.habits(measured(HEAD + one_fails)) == {"gate"}
    many = training("read", result="fail", but=(1, 2)) + training("write")
    many_fail = training("gate", result="fail") + many + "U1 0 0 read pass\nU2 0 2 read pass\n"
    assert coverage.habits(measured(HEAD + many_fail)) == frozenset()
    unsaid = training("gate", result="fail", but=(4,)) + good
    assert coverage.habits(measured(HEAD + unsaid)) == frozenset()


def test_places_of_a_board_nobody_knows_are_those_its_rows_name() -> None:
    rows = "[training]\nsite ch step result\nA1 0 id pass\nA2 1 id pass\nA2 1 read pass\n[end]\n"
    assert coverage.unheard(measured("bench-dump 1\n" + rows)) == (Place("A1", 0),)
