"""Problems of dumps that a baseline is to be learnt from. Each input is learnt from as dumps of
quince-2, whose two packages have two channels of two lanes each."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

_LINKS = tuple((f"U{1 + ch // 2}", ch, lane) for ch in range(4) for lane in range(2))


def _dump(eye: str = "0.60UI", read: str = "pass", **head: str) -> str:
    said = {"board": "quince-2", "memory": "lpddr4", "rate": "3.2 Gbit/s"} | head
    keys = "".join(f"{key}  {value}\n" for key, value in said.items() if value)
    trained = "".join(f"{at} {ch} {lane} read {read} {eye}\n" for at, ch, lane in _LINKS)
    counted = "".join(f"{at} {ch} {lane} walk 1e12 0\n" for at, ch, lane in _LINKS)
    return (
        f"bench-dump 1\n[run]\n{keys}[training]\nsite ch lane step result width\n{trained}"
        f"[counts]\nsite ch lane test bits errors\n{counted}[end] 16\n"
    )


_TWO = _dump(serial="A1") + _dump(serial="A2", eye="0.62UI")

KINDS: dict[str, ProblemKind] = {
    "baseline-not-clear": ProblemKind(
        Severity.WARNING,
        "{which} is not learnt from, for it is not clear: {why}",
        "only a board that is clear shows what healthy is: mend it and test again, or leave it out",
        (
            _TWO + _dump(serial="A3", read="fail", eye="-"),
            _TWO + _dump(serial="A3").replace("[end] 16\n", ""),
        ),
        "baseline",
    ),
    "baseline-other": ProblemKind(
        Severity.WARNING,
        "{which} is not learnt from: its {setting} is {own}, {usual}",
        "eyes move with it: learn from dumps that are alike in it, or correct the dump's head",
        (
            _TWO + _dump(serial="A3", board="quince-8"),
            _TWO + _dump(serial="A3", memory="ddr4"),
            _TWO + _dump(serial="A3", rate="2.4 Gbit/s"),
            _dump(serial="A1", timing="tight")
            + _dump(serial="A2", timing="tight")
            + _dump(serial="A3", timing="loose"),
        ),
        "baseline",
    ),
    "baseline-split": ProblemKind(
        Severity.ERROR,
        "nothing is learnt: the dumps are not alike in {setting}, and none is that of most: {said}",
        "eyes move with it: give the dumps of one {setting} at a time",
        (_dump(serial="A1") + _dump(serial="A2", rate="2.4 Gbit/s"),),
        "baseline",
    ),
    "baseline-unsaid": ProblemKind(
        Severity.WARNING,
        "{which} does not say its {setting}: taken as that of the others",
        "make sure it is; have the rig print it",
        (_TWO + _dump(serial="A3", rate=""), _TWO + _dump(serial="A3", board="")),
        "baseline",
    ),
    "baseline-again": ProblemKind(
        Severity.INFO,
        "{which} is {first} once more: counted once",
        "give each dump once",
        (_TWO + _dump(serial="A1"), _dump() + "\n# again\n" + _dump()),
        "baseline",
    ),
    "baseline-few": ProblemKind(
        Severity.WARNING,
        "learnt from {boards}: {uncertain}",
        "add dumps of other good boards; from {enough} boards on the spread is known to a factor "
        "of two",
        (_dump(), _TWO),
        "baseline",
    ),
    "baseline-nothing": ProblemKind(
        Severity.ERROR,
        "nothing is learnt: {why}",
        "give dumps of good boards that print eyes, delays, counts or ohms of every lane and rail",
        (
            _dump(serial="A1", read="fail", eye="-"),
            _dump(eye="-").replace("walk 1e12 0", "walk - -"),
        ),
        "baseline",
    ),
    "baseline-centroid": ProblemKind(
        Severity.WARNING,
        "{file} names the centroid file {name}, which does not lie beside it",
        "copy it there from {folder}",
    ),
    "baseline-unplaceable": ProblemKind(
        Severity.ERROR,
        "{file}: its [baseline] cannot be replaced: it is not written as tables of its own",
        "take the keys that begin with baseline out of the profile, and learn again",
    ),
}
