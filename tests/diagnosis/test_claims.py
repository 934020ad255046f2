"""Where the claims of a posterior are: packages, lanes, and what has no place of its own."""

from __future__ import annotations

import pytest

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.model import Cause, Finding, Verdict
from memdiag.reading.load import load

LANES = {"U1": 0, "U2": 2, "U3": 4, "U4": 6, "U5": 1, "U6": 3, "U7": 5, "U8": 7}
WELL = {"U4": 0.48, "U5": 0.47, "U6": 0.45, "U7": 0.48, "U8": 0.46}


def silent(thin: float) -> str:
    """A dump without a profile: U1 says nothing, U2 and U3 have eyes so thin, and err."""
    out = ["bench-dump 1", "[run]", "board  nobody-knows", "memory  ddr4", "[training]"]
    out += ["site ch lane step result width", "U1 0 0 id no-response -"]
    for ref, width in {"U2": thin, "U3": thin - 0.01, **WELL}.items():
        word = "pass" if ref in WELL else "marginal"
        steps = ["id pass -", f"ca {word} -", f"read {word} {width}UI", f"write {word} {width}UI"]
        out += [f"{ref} 0 {LANES[ref]} {step}" for step in steps]
    out += ["[counts]", "site ch lane test bits errors", "U1 0 0 sweep - -"]
    errors = {"U2": 474, "U3": 548}
    for ref in list(LANES)[1:]:
        out.append(f"{ref} 0 {LANES[ref]} sweep 1200000000000 {errors.get(ref, 0)}")
    return "\n".join([*out, "[end]", ""])


def judged(text: str) -> Verdict:
    (run,) = load(text)
    board, _ = profiles.for_run(run, None)
    return judge(run, board)


@pytest.mark.parametrize("thin", [0.12, 0.15, 0.17, 0.19, 0.21, 0.24, 0.28])
def test_a_group_has_more_than_one_package(thin: float) -> None:
    """With some widths of the thin ones it is the silent one that holds nearly all of a group of
    suspects, and that is no group."""
    assert all(len(f.one_of) != 1 for f in judged(silent(thin)).findings)


def words(many: int) -> str:
    """Error words of one channel of eight lanes without a profile: one bit wrong in each of so many
    words a lane, spread over its lines and over addresses."""
    out = ["bench-dump 1", "[run]", "memory  other", "[errors]", "ch address wrote read"]
    wrote, at = 0xA5A5A5A5A5A5A5A5, 0
    for n in range(8 * many):
        at = (at * 48271 + 11) % 0x7FFFFFFF
        out.append(f"0 {at * 8:#x} {wrote:#018x} {wrote ^ (1 << (n % 64)):#018x}")
    return "\n".join([*out, f"[end] {8 * many}", ""])


def test_a_word_names_lanes_that_the_board_does_not() -> None:
    """A ball of one lane is one lane, though nothing but words says that there are eight: what is
    wrong on all of them alike is no such ball."""
    (top, *_) = judged(words(22)).findings
    chances: dict[Cause, float] = {top.cause: top.probability, **dict(top.alternatives)}
    assert chances[Cause.JOINT] < 0.05 < chances[Cause.WEAK]


TWO = """bench-dump 1
[run]
board  nobody-knows
memory  ddr4
[errors]
address site ch lane bank row col mask
{rows}
[end]
"""


def told(found: Verdict, site: str) -> Finding:
    (one,) = (f for f in found.findings if f.place.site == site)
    return one


def test_what_nothing_here_names_is_where_the_dump_speaks() -> None:
    """A package with 500 wrong words is the place, though a few elsewhere leave room for a cause
    that no mechanism here is."""
    many = [f"{0x40000 * n:#x} U3 0 2 0 {256 * n} 1 0x04" for n in range(500)]
    few = [f"{0x61F0000 + 0x2C0000 * n:#x} U8 0 7 6 {1984 + 2816 * n} 8 0xfb" for n in range(7)]
    found = judged(TWO.format(rows="\n".join(many + few)))
    assert told(found, "U3").place_probability > 0.9
