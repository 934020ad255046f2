"""The commands from the outside: what is typed, what is printed where, how it ends.

Each case of `CASES` has a file in `tests/golden/commands/` with the exit status, standard output
and standard error. After a change that is meant, write them anew and read the difference:

    MEMDIAG_WRITE_GOLDENS=1 python -m pytest tests/test_commands.py; git diff tests/golden
"""

from __future__ import annotations

import io
import json
import math
import os
import re
import sys
from pathlib import Path
from typing import Any

import pytest
from msgspec import Struct

from memdiag.cli import main
from tests.support.alone import alone

ROOT = Path(__file__).resolve().parents[2]
GOLDEN = Path(__file__).resolve().parents[1] / "golden" / "commands"
WRITE = bool(os.environ.get("MEMDIAG_WRITE_GOLDENS"))


class Case(Struct, frozen=True):
    """What is typed in the checkout, `stdin` what is pasted: a sample's name or the bytes."""

    words: str
    stdin: str | bytes = b""


def verdict(name: str, more: str = "") -> Case:
    return Case(f"verdict samples/{name}.dump {more}".strip())


NO_PROFILE = b"""bench-dump 1
[run]
board   plum-2
memory  lpddr4
[training]
site  ch  lane  step  result
U1    0   0     read  pass
U1    0   1     read  pass
U2    1   -     id    no-response
[end] 3
"""

CASES: dict[str, Case] = {
    # the main job, as text: every sample
    **{
        f"verdict-{path.stem}": verdict(path.stem)
        for path in sorted((ROOT / "samples").glob("*.dump"))
    },
    "verdict-every-row": verdict("dead-line", "--every-row"),
    "verdict-pasted": Case("verdict", "dead-channel"),
    "verdict-two-files": Case("verdict samples/dead-line.dump samples/after-swap.dump"),
    "verdict-removed": verdict("missing-package", "--removed U6"),
    "verdict-commas": Case("verdict samples/layouts/commas.csv"),
    "verdict-console": Case("verdict samples/layouts/console.txt"),
    "verdict-wide": Case("verdict samples/layouts/wide.txt"),
    "verdict-json": verdict("ddr4-missing", "--format json"),
    "verdict-json-clear": verdict("ddr4-healthy", "--format json"),
    "verdict-csv": verdict("missing-package", "--format csv"),
    "verdict-markdown": verdict("bare-boot", "--format markdown"),
    "verdict-markdown-dirty": verdict("dirty-paste", "--format markdown"),
    "verdict-customer": verdict("dead-line", "--format customer"),
    # the table
    "read-text": Case("read samples/ddr4-missing.dump"),
    "read-text-four": Case("read samples/four-dumps.dump"),
    "read-dirty": Case("read -", "dirty-paste"),
    "read-json": Case("read samples/ddr4-dead-line.dump --format json"),
    "read-csv": Case("read samples/weak-package.dump --format csv"),
    "read-markdown": Case("read samples/ddr4-weak-row.dump --format markdown"),
    # a whole repair
    "case": Case(
        "case samples/missing-package.dump samples/bare-boot.dump samples/after-swap.dump"
    ),
    "case-open": Case("case samples/missing-package.dump samples/bare-boot.dump"),
    "case-json": Case("case samples/missing-package.dump samples/after-swap.dump --format json"),
    "case-csv": Case("case samples/missing-package.dump samples/after-swap.dump --format csv"),
    "case-markdown": Case("case samples/bare-boot.dump samples/after-swap.dump --format markdown"),
    "batch-help": Case("batch --help"),
    "batch-nowhere": Case("batch samples/healthy.dump"),
    "completion-help": Case("completion --help"),
    "serve-help": Case("serve --help"),
    "serve-everywhere": Case("serve --listen 0.0.0.0"),
    "serve-without-token": Case("serve --listen 192.0.2.7"),
    "serve-no-address": Case("serve --listen bench.example"),
    "case-customer": Case(
        "case samples/missing-package.dump samples/after-swap.dump --format customer"
    ),
    "case-two-boards": Case("case samples/missing-package.dump samples/ddr4-missing.dump"),
    "case-no-ticket": Case("case --ticket R-9999"),
    # readings without a dump
    "rails-short": Case("rails VDD_MEM_A=0.4:settled VDD_MEM_B=112 --board quince-12"),
    "rails-off": Case("rails VDD_MEM_A=18 --board quince-12 --off U3 --after VDD_MEM_A=117"),
    "rails-open": Case("rails VDD_MEM_A=0L VDD_MEM_B=61:rising VDDX=112 --board quince-12"),
    "rails-warm": Case("rails VDD_MEM_A=3.1 --warm VDD_MEM_A:U2 --board quince-12"),
    "rails-nameless": Case("rails VDD=0.3:settled VPP=12"),
    "rails-json": Case("rails VDD_MEM_A=0.4 --warm VDD_MEM_A:U2 --board quince-12 --format json"),
    "rails-markdown": Case(
        "rails VDD_MEM_A=18 --board quince-12 --off U3 --after VDD_MEM_A=117 --format markdown"
    ),
    "rails-csv": Case("rails VDD_MEM_A=0.4:settled VDD_MEM_B=0L --board quince-12 --format csv"),
    "rails-wrong": Case("rails VDD_MEM_A --board quince-12"),
    "rails-unknown-board": Case("rails VDD_MEM_A=3 --board quince-13"),
    # two runs
    "compare-text": Case("compare samples/missing-package.dump samples/after-swap.dump"),
    "compare-markdown": Case(
        "compare samples/missing-package.dump samples/after-swap.dump --format markdown"
    ),
    "compare-history": Case("compare -", "four-dumps"),
    "compare-unlike": Case("compare samples/ddr4-missing.dump samples/after-swap.dump"),
    "compare-one": Case("compare samples/healthy.dump"),
    # length of a run
    "soak-below": Case("soak --below 1e-12 --line-rate 14.0Gbit/s --site U6 --board quince-12"),
    "soak-ran": Case("soak --ran 2e12 --errors 1"),
    "soak-json": Case("soak --below 1e-12 --line-rate 14.0Gbit/s --format json"),
    "soak-markdown": Case(
        "soak --below 1e-12 --line-rate 14.0Gbit/s --ran 2e12 --errors 1 --format markdown"
    ),
    "soak-csv": Case("soak --below 1e-12 --ran 2e12 --format csv"),
    "soak-nothing": Case("soak"),
    # samples, boards, layouts
    "sample-list": Case("sample --list"),
    "sample": Case("sample ddr4-missing"),
    "sample-unknown": Case("sample missing"),
    "board-list": Case("board list"),
    "board-check": Case("board check quince-12 samples/boards/quince-8.toml"),
    "board-check-unknown": Case("board check quince-21"),
    "board-new": Case("board new samples/ddr4-missing.dump --size 8x12"),
    "board-new-lacking": Case("board new --memory gddr6"),
    "help-board-new": Case("board new --help"),
    "verdict-no-profile": Case("verdict", NO_PROFILE),
    "board-draw-unknown": Case("board draw quince-12 --mark U99"),
    # what healthy looks like
    "baseline": Case("baseline quince-8 samples/good-boards.dump"),
    "baseline-pasted": Case("baseline quince-8 -", "good-boards"),
    "baseline-some-refused": Case(
        "baseline quince-8 samples/good-boards.dump samples/healthy.dump samples/healthy.toml"
    ),
    "baseline-other-board": Case("baseline quince-8 samples/healthy.dump"),
    "baseline-no-profile": Case("baseline quince-88 samples/good-boards.dump"),
    "baseline-no-input": Case("baseline quince-8"),
    "grammar-list": Case("grammar list"),
    "grammar-show-unknown": Case("grammar show benhc"),
    "grammar-new": Case("grammar new samples/layouts/wide.txt"),
    "grammar-check": Case("grammar check grammars/commas.lark samples/layouts/commas.csv"),
    # the ledger
    "help-ledger": Case("ledger --help"),
    "ledger-nothing": Case("ledger search"),
    # what is wrong
    "help": Case("--help"),
    "help-verdict": Case("verdict --help"),
    "version": Case("--version"),
    "wrong-command": Case("judge samples/healthy.dump"),
    "wrong-option": Case("verdict samples/healthy.dump --colour"),
    "wrong-format": Case("verdict samples/healthy.dump --format pdf"),
    "no-file": Case("verdict nowhere.dump"),
    "a-folder": Case("verdict samples"),
    "no-board": Case("verdict samples/healthy.dump --board nowhere.toml"),
    "no-shop": Case("verdict samples/healthy.dump --shop nowhere.toml"),
    "no-grammar": Case("verdict samples/healthy.dump --grammar nobody"),
    "empty-paste": Case("verdict", b""),
    "blank-paste": Case("verdict -", b"\n\n  \n"),
    "binary-paste": Case("verdict -", bytes(range(256)) * 8),
    "other-text": Case("verdict -", b"Dear customer,\nthe board is on its way.\n"),
    "unknown-site": Case(
        "verdict -",
        b"bench-dump 1\n[run]\nboard quince-2\n[training]\nsite ch lane step result\n"
        b"U9 0 0 read fail\n[end] 1\n",
    ),
    "parquet-to-screen": Case("read samples/healthy.dump --format parquet"),
    "no-ticket": Case("attach samples/good-boards.dump --to ."),
    "ticket-with-a-path": Case("attach samples/healthy.dump --ticket ../R-1 --to ."),
}


class _Paste(io.TextIOWrapper):
    """Standard input as a pipe."""

    def __init__(self, data: bytes) -> None:
        super().__init__(io.BytesIO(data), encoding="utf-8")


def ran(
    case: Case, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, str, str]:
    data = case.stdin
    if isinstance(data, str):
        data = (ROOT / "samples" / f"{data}.dump").read_bytes()
    monkeypatch.chdir(ROOT)
    monkeypatch.setattr(sys, "argv", ["memdiag", *case.words.split()])
    monkeypatch.setattr(sys, "stdin", _Paste(data))
    with pytest.raises(SystemExit) as stop, alone() as asked:
        main.main()
    assert not asked, "no command opens a connection or starts a program"
    out, err = capsys.readouterr()
    status = 0 if stop.value.code is None else stop.value.code
    assert isinstance(status, int)
    return status, out, err


def steady(text: str) -> str:
    """Without what differs from one machine to the next: where the checkout lies, and the last
    digits of numbers in JSON."""
    text = text.replace(str(ROOT), "<checkout>")
    if text.startswith(("{\n", "[\n")):
        text = json.dumps(_rounded(json.loads(text)), indent=2, ensure_ascii=False) + "\n"
    # Numbers of CSV: more digits than anybody prints by hand.
    return re.sub(r"\d\.\d{8,}(e-?\d+)?", lambda m: f"{float(m.group()):.6g}", text)


def _rounded(value: Any) -> Any:
    if isinstance(value, float) and math.isfinite(value):
        return 0.0 if abs(value) < 1e-15 else float(f"{value:.6g}")
    if isinstance(value, dict):
        return {key: _rounded(each) for key, each in value.items()}
    return [_rounded(each) for each in value] if isinstance(value, list) else value


def golden(case: Case, status: int, out: str, err: str) -> str:
    paste = f" < {case.stdin}.dump" if isinstance(case.stdin, str) else ""
    return (
        f"$ memdiag {case.words}{paste}\n==== exit status {status}\n"
        f"==== standard output\n{steady(out)}==== standard error\n{steady(err)}"
    )


@pytest.mark.parametrize("name", CASES)
def test_command_is_as_it_was(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    case = CASES[name]
    made = golden(case, *ran(case, monkeypatch, capsys))
    path = GOLDEN / f"{name}.txt"
    if WRITE:
        GOLDEN.mkdir(parents=True, exist_ok=True)
        path.write_text(made, encoding="utf-8", newline="\n")
    assert path.exists(), f"{path} is missing: write it with MEMDIAG_WRITE_GOLDENS=1"
    assert made == path.read_text(encoding="utf-8")


def test_no_golden_is_left_over() -> None:
    assert {path.stem for path in GOLDEN.iterdir()} == set(CASES)


@pytest.mark.parametrize("name", CASES)
def test_no_case_ends_in_a_traceback_or_a_fault_of_memdiag(name: str) -> None:
    kept = (GOLDEN / f"{name}.txt").read_text(encoding="utf-8")
    assert "Traceback" not in kept and "a fault in memdiag itself" not in kept


AT_THE_BENCH = [
    name
    for name, case in CASES.items()
    if case.words.startswith(("verdict", "read", "rails", "compare", "soak", "board list"))
    and "--format" not in case.words
]


@pytest.mark.parametrize("name", AT_THE_BENCH)
def test_text_is_no_wider_than_a_hundred_characters(name: str) -> None:
    kept = (GOLDEN / f"{name}.txt").read_text(encoding="utf-8")
    page = kept.partition("==== standard output\n")[2].partition("==== standard error\n")[0]
    assert max(map(len, page.splitlines()), default=0) <= 100


# ---- what a golden cannot hold ----


@pytest.mark.parametrize("path", sorted((ROOT / "samples").glob("*.dump")), ids=lambda p: p.stem)
def test_a_sample_is_printed_byte_for_byte(
    path: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfdbinary: pytest.CaptureFixture[bytes],
) -> None:
    """With the line ends and escape codes of the dirty one."""
    monkeypatch.setattr(sys, "argv", ["memdiag", "sample", path.stem])
    with pytest.raises(SystemExit) as stop:
        main.main()
    assert stop.value.code == 0
    assert capfdbinary.readouterr().out == path.read_bytes()
    target = tmp_path / "dump.txt"
    monkeypatch.setattr(sys, "argv", ["memdiag", "sample", path.stem, "-o", str(target)])
    with pytest.raises(SystemExit):
        main.main()
    assert target.read_bytes() == path.read_bytes()


def test_the_missing_package_is_the_sample_of_choice(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ran(Case("sample"), monkeypatch, capsys) == ran(
        Case("sample missing-package"), monkeypatch, capsys
    )


def test_output_goes_to_a_file_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = "verdict samples/dead-line.dump"
    shown = ran(Case(words), monkeypatch, capsys)[1]
    status, out, _ = ran(Case(f"{words} -o {tmp_path / 'page.txt'}"), monkeypatch, capsys)
    assert status == 1 and out == ""
    assert (tmp_path / "page.txt").read_text(encoding="utf-8") == shown
    assert [p.name for p in tmp_path.iterdir()] == ["page.txt"]


def test_a_file_that_cannot_be_written_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = f"read samples/healthy.dump -o {tmp_path / 'no' / 'page.txt'}"
    status, out, err = ran(Case(words), monkeypatch, capsys)
    assert status == 2 and out == ""
    assert "cannot write" in err and "no such file" in err


@pytest.mark.parametrize("format_", ["text", "json", "csv", "markdown", "html"])
def test_no_colour_and_no_cursor_movement(
    format_: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = f"verdict samples/dirty-paste.dump --format {format_}"
    _, out, err = ran(Case(words), monkeypatch, capsys)
    assert "\x1b" not in out + err and "\r" not in out + err


def test_parquet_holds_the_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pandas = pytest.importorskip("pandas")
    from memdiag import frame
    from memdiag.boards import profiles
    from memdiag.evidence import table
    from memdiag.evidence.measurements import measure
    from memdiag.reading import load

    (run,) = load.load(ROOT / "samples" / "weak-package.dump")
    wanted = frame(table.rows(measure(run, profiles.for_run(run)[0])))
    target = tmp_path / "table.parquet"
    words = f"read samples/weak-package.dump --format parquet -o {target}"
    assert ran(Case(words), monkeypatch, capsys)[0] == 0
    pandas.testing.assert_frame_equal(pandas.read_parquet(target), wanted)
