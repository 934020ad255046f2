"""How long to run, held to the published test-length tables; and the command."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.cli import main
from memdiag.repair import soak
from tests.support.marks import examples
from tests.support.twodumps import board, checker


def call(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *args: str
) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["memdiag", "soak", *args])
    with pytest.raises(SystemExit) as stop:
        main.main()
    out, err = capsys.readouterr()
    return int(stop.value.code or 0), out, err


# ---- the published figures ----


@pytest.mark.parametrize(
    ("confidence", "row"),
    [
        # N*BER for 0..3 errors, one-sided. 95 %: Agilent J-BERT N4903B user guide, table 25.
        # 90 % and 99 %: recomputed; 99 % also Redd 2000 (Lightwave, April), from memory.
        (0.90, (2.3026, 3.8897, 5.3223, 6.6808)),
        (0.95, (2.9957, 4.7439, 6.2958, 7.7537)),
        (0.99, (4.6052, 6.6384, 8.4059, 10.0451)),
    ],
)
def test_bits_of_the_length_tables(confidence: float, row: tuple[float, ...]) -> None:
    plan = soak.plan(1e-12, confidence)
    assert [s.errors for s in plan.steps] == [0, 1, 2, 3]
    assert [s.bits * 1e-12 for s in plan.steps] == pytest.approx(row, abs=6e-5)


def test_time_of_the_published_example() -> None:
    # Agilent J-BERT N4903B user guide, p. 28: BER 1e-10, 95 %, 2.48832 Gbit/s on one line takes
    # 12.016 s with 2.99 for 2.9957; exact 12.039 s.
    plan = soak.plan(1e-10, 0.95, lines=1, line_rate=2.48832e9)
    assert plan.steps[0].seconds == pytest.approx(12.039, abs=1e-3)
    assert plan.steps[0].seconds == pytest.approx(12.016, rel=3e-3)


@pytest.mark.parametrize(
    # Redd 2000 (Lightwave, April), from memory: 99 %, 1e-10, 2.488 Gbit/s, 0..4 errors.
    ("errors", "wanted"),
    list(enumerate((18.5, 26.7, 33.7, 40.2, 46.6))),
)
def test_time_of_the_99_percent_table(errors: int, wanted: float) -> None:
    plan = soak.plan(1e-10, 0.99, errors=errors, lines=1, line_rate=2.488e9)
    assert plan.steps[0].seconds == pytest.approx(wanted, rel=5e-3)


def test_zero_errors_one_and_two_sided() -> None:
    # 2.996 and 3.689: help of R epitools, pois.exact.
    assert soak.plan(1e-9, 0.95, sided=1).steps[0].bits == pytest.approx(2.996e9, rel=2e-4)
    assert soak.plan(1e-9, 0.95, sided=2).steps[0].bits == pytest.approx(3.689e9, rel=2e-4)
    proof = soak.proof(10**9, 0, 0.95)
    assert proof.below * 1e9 == pytest.approx(2.996, abs=5e-4)
    assert proof.high * 1e9 == pytest.approx(3.689, abs=5e-4) and proof.low == 0


@given(st.floats(1e-15, 1e-4), st.sampled_from([0.9, 0.95, 0.99]), st.integers(0, 30))
@settings(max_examples=examples(60), deadline=None)
def test_a_run_of_the_planned_length_shows_the_rate(
    rate: float, confidence: float, errors: int
) -> None:
    step = soak.plan(rate, confidence, errors=errors).steps[0]
    assert soak.proof(step.bits, errors, confidence).below <= rate * (1 + 1e-9)
    assert soak.proof(step.bits, errors + 1, confidence).below > rate


@given(st.integers(1, 4000), st.floats(1e8, 3e10), st.floats(0.01, 1))
@settings(max_examples=examples(40), deadline=None)
def test_time_scales_with_lines_rate_and_share(lines: int, line_rate: float, share: float) -> None:
    plan = soak.plan(1e-12, 0.95, lines=lines, line_rate=line_rate, share=share)
    for step in plan.steps:
        assert step.seconds == pytest.approx(step.bits / (lines * line_rate * share))
    if plan.each_lane is not None:
        # All lanes at once are as slow as one lane by itself.
        alone = soak.plan(1e-12, 0.95, line_rate=line_rate, share=share).steps[0].seconds
        assert plan.each_lane == pytest.approx(alone)


def test_lines_of_the_three_boards() -> None:
    assert soak.lines_in(board("quince-12"), "U6") == 32  # two channels of two lanes
    assert soak.lines_in(board("quince-12")) == 384
    assert soak.lines_in(board("quince-8"), "U1") == 8  # one x8 package
    assert soak.lines_in(board("quince-8")) == 64
    with pytest.raises(ValueError, match="no site U99"):
        soak.lines_in(board("quince-12"), "U99")


@pytest.mark.parametrize(
    "change",
    [
        {"errors": -1},
        {"lines": 0},
        {"share": 0.0},
        {"share": 1.5},
        {"line_rate": 0.0},
        {"sided": 3},
    ],
)
def test_figures_out_of_range(change: dict) -> None:  # type: ignore[type-arg]
    with pytest.raises(ValueError, match=r"\w"):
        soak.plan(1e-12, 0.95, **change)
    with pytest.raises(ValueError, match="shows nothing"):
        soak.proof(0, 0, 0.95)


# ---- what people type ----


def test_ways_to_write_a_figure() -> None:
    assert [soak.parse_confidence(t) for t in ("0.95", "95", "95%", "95 %")] == [0.95] * 4
    assert soak.parse_confidence("99.9%") == pytest.approx(0.999)
    assert [soak.parse_bits(t) for t in ("2e12", "2Tbit", "2000G", "2,000,000,000,000")] == [
        2 * 10**12
    ] * 4
    assert [soak.parse_time(t) for t in ("90s", "1.5min", "0.025h", "90 sec")] == [90] * 4
    assert soak.parse_time("2 days") == 172800
    rates_ = [soak.parse_line_rate(t) for t in ("14.0Gbit/s", "14 Gbit/s", "14000 Mbit/s")]
    assert rates_ == pytest.approx([14e9] * 3)
    assert soak.parse_line_rate("3200MT/s") == 3.2e9
    assert soak.parse_share("40%") == soak.parse_share("0.4") == 0.4


@pytest.mark.parametrize(
    ("parse", "texts"),
    [
        (
            soak.parse_confidence,
            ("", "high", "0", "100", "100%", "-5", "nan", "0%", "1e-320", "0.9999999999999999"),
        ),
        (soak.parse_rate, ("", "0", "1", "2", "-1e-12", "nan", "1e-12 or so", "1e-320", "inf")),
        (soak.parse_bits, ("", "-5", "many", "2e12 bits a second", "1e400", "...", "1e300P")),
        (soak.parse_time, ("", "40", "-4 min", "soon", "1..2s", "1e300d", "1e400s")),
        (
            soak.parse_line_rate,
            ("", "14", "14 mV", "0Gbit/s", "-1Gbit/s", "fast", "1e-300Gbit/s", "1e308bit/s"),
        ),
        (soak.parse_share, ("", "0", "0%", "140%", "half", "nan", "1e-320")),
    ],
)
def test_what_is_no_figure_is_said(parse, texts: tuple[str, ...]) -> None:  # type: ignore[no-untyped-def]
    for text in texts:
        with pytest.raises(ValueError, match=r"\w{3}"):
            parse(text)


@given(st.text(max_size=12))
@settings(max_examples=examples(150), deadline=None)
def test_no_text_breaks_a_parser(text: str) -> None:
    for parse in (
        soak.parse_confidence,
        soak.parse_rate,
        soak.parse_bits,
        soak.parse_time,
        soak.parse_line_rate,
        soak.parse_share,
    ):
        try:
            assert parse(text) >= 0
        except ValueError as wrong:
            assert str(wrong)


# ---- the command ----


def test_plan_and_reverse_say_one_or_two_sided(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    args = ("--below", "1e-12", "--line-rate", "14.0Gbit/s", "--ran", "2e12", "--errors", "1")
    status, out, _ = call(monkeypatch, capsys, *args)
    assert status == 0
    assert "RUN 4.744e12 bits with 1 error" in out and "95 %, one-sided" in out
    assert "42.4 s on a lane (8 data lines)" in out
    # 1 error in 2e12: 4.744/2e12 one-sided, 0.0253/2e12 to 5.572/2e12 two-sided (Garwood 1936).
    assert "below 2.4e-12 at 95 %, one-sided" in out
    assert "from 1.3e-14 to 2.8e-12 at 95 %, two-sided" in out
    assert max(map(len, out.splitlines())) <= 100


def test_scopes(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    common = ("--below", "1e-12", "--line-rate", "14.0Gbit/s")
    site = call(monkeypatch, capsys, *common, "--board", "quince-12", "--site", "U6")[1]
    assert "on U6 (32 data lines)" in site
    whole = call(monkeypatch, capsys, *common, "--board", "quince-12", "--scope", "board")[1]
    assert "the whole board (384 data lines)" in whole and "every lane by itself" in whole
    largest = call(monkeypatch, capsys, *common, "--board", "quince-8", "--scope", "site")[1]
    assert "a site (8 data lines)" in largest
    counted = call(monkeypatch, capsys, *common, "--scope", "site", "--lines", "16")[1]
    assert "(16 data lines)" in counted


def test_json(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = call(
        monkeypatch,
        capsys,
        "--below",
        "1e-12",
        "--took",
        "40min",
        "--line-rate",
        "14Gbit/s",
        "--share",
        "50%",
        "--format",
        "json",
    )
    made = json.loads(out)
    checker("memdiag-soak-1").validate(made)
    assert status == 0 and made["proof"]["bits"] == 40 * 60 * 14 * 10**9 * 8 // 2
    assert made["plan"]["sided"] == 1 and made["plan"]["steps"][0]["bits"] > 2.99e12


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "--below"),
        (("--below", "3"), "1e-30 to 0.5"),
        (("--below", "1e-12", "--confidence", "100%"), "confidence"),
        (("--took", "40min"), "--line-rate"),
        (("--ran", "1e12", "--took", "1h"), "which one"),
        (("--ran", "5", "--errors", "9"), "9 errors in 5 bits"),
        (("--ran", "0"), "shows nothing"),
        (("--below", "1e-12", "--scope", "board"), "--board"),
        (("--below", "1e-12", "--board", "quince-12", "--site", "U99"), "U99"),
        (("--below", "1e-12", "--board", "no-such", "--scope", "board"), "no-such"),
        (("--below", "1e-12", "--line-rate", "14"), "14.0Gbit/s"),
    ],
)
def test_wrong_usage_is_status_2(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    args: tuple[str, ...],
    says: str,
) -> None:
    status, out, err = call(monkeypatch, capsys, *args)
    assert status == 2 and out == "" and says in err


def test_the_usual_question_needs_no_heavy_library() -> None:
    code = (
        "import sys; sys.argv = ['memdiag', 'soak', '--below', '1e-12']\n"
        "from memdiag import stats\n"
        "stats.bits_needed(1e-12, .95)\n"
        "import memdiag.cli.soak\n"
        "print([m for m in ('scipy', 'pandas', 'lark', 'jinja2') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).resolve().parents[2],
    )
    assert done.stdout.strip() == "[]"
