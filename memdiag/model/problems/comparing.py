"""Problems of two runs laid side by side."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

_ROWS = (
    "[training]\nsite ch lane step result\nU1 0 0 id pass\nU1 0 0 read pass\n"
    "[counts]\nsite ch lane test bits errors\nU1 0 0 walk 1000000 0\n[end] 3\n"
)


def _dump(**head: str) -> str:
    said = {"id": "r1", "board": "pear-3", "memory": "gddr6", "rate": "14.0 Gbit/s"} | head
    lines = "".join(f"{key}  {value}\n" for key, value in said.items() if value)
    return f"bench-dump 1\n[run]\n{lines}{_ROWS}"


def _valued(value: str, **head: str) -> str:
    rows = f"[values]\nname value\nknob {value}\n[end] 4"
    return _dump(**head).replace("[end] 3", rows)


KINDS: dict[str, ProblemKind] = {
    "compare-differs": ProblemKind(
        Severity.ERROR,
        "the runs are not alike in {setting}: {before} before, {after} after",
        "{hint}",
        (
            _dump() + _dump(id="r2", board="pear-4"),
            _dump() + _dump(id="r2", memory="gddr5"),
            _dump() + _dump(id="r2", rate="12.0 Gbit/s"),
            _dump(serial="A1") + _dump(id="r2", serial="A2"),
            _dump() + _dump(id="r2").replace("walk", "march"),
            _dump(timing="tight") + _dump(id="r2", timing="loose"),
            _valued("1.20V") + _valued("1.35V", id="r2"),
        ),
        "compare",
    ),
    "compare-unsaid": ProblemKind(
        Severity.WARNING,
        "{which} its {setting}: taken as the same in both",
        "make sure it was; have the rig print it",
        (
            _dump() + _dump(id="r2", rate=""),
            _dump(board="") + _dump(id="r2", board=""),
            _dump() + _dump(id="r2", timing="loose"),
            _valued("1.20V") + _dump(id="r2"),
        ),
        "compare",
    ),
    "compare-drifted": ProblemKind(
        Severity.WARNING,
        "{setting}: {before} before, {after} after",
        "{hint}",
        (
            _dump(ambient="23 C") + _dump(id="r2", ambient="48 C"),
            _dump(rig="bench 1") + _dump(id="r2", rig="bench 2"),
            _valued("45C") + _valued("61C", id="r2"),
            _dump()
            + _dump(id="r2").replace(
                "U1 0 0 walk 1000000 0\n[end] 3",
                "U1 0 0 walk 1000000 0\nU1 0 0 march 1000000 0\n[end] 4",
            ),
        ),
        "compare",
    ),
    "compare-same-dump": ProblemKind(
        Severity.ERROR,
        "BEFORE and AFTER are the same dump (sha256 {sha256})",
        "give the dump of the test boot after the repair as the second one",
        (_dump() + _dump(), _dump() + _dump().replace("\n", "\r\n")),
        "compare",
    ),
    "compare-wrong-order": ProblemKind(
        Severity.ERROR,
        "the runs are the wrong way round by {setting}: {before} is given before {after}",
        "give the older run first; if the rig's clock or the stage is wrong, add --any-order",
        (
            _dump(at="2031-05-02T10:00:00Z") + _dump(id="r2", at="2031-05-01T10:00:00Z"),
            _dump(stage="final") + _dump(id="r2", stage="intake"),
        ),
        "compare",
    ),
    "compare-order-unclear": ProblemKind(
        Severity.WARNING,
        "dates and stages disagree on which run came first: {before} and {after}",
        "taken in the order given; check the rig's clock",
        (
            _dump(stage="intake", at="2031-05-02T10:00:00Z")
            + _dump(id="r2", stage="final", at="2031-05-01T10:00:00Z"),
        ),
        "compare",
    ),
    "compare-cut": ProblemKind(
        Severity.WARNING,
        "{which} is cut: its end is missing or its row count is wrong",
        "{hint}",
        (
            _dump() + _dump(id="r2").replace("[end] 3\n", ""),
            _dump().replace("[end] 3\n", "") + _dump(id="r2"),
        ),
        "compare",
    ),
    "compare-not-measured": ProblemKind(
        Severity.WARNING,
        "AFTER says nothing of {links}, which BEFORE measured",
        "what was not measured is not cleared: run the same steps and tests again",
        (
            _dump().replace(
                "U1 0 0 walk 1000000 0\n[end] 3",
                "U1 0 0 walk 1000000 0\nU1 0 1 walk 1000000 0\n[end] 4",
            )
            + _dump(id="r2"),
        ),
        "compare",
    ),
    "compare-may-come-back": ProblemKind(
        Severity.WARNING,
        "{places}: clear after its joints were made anew, with the same package or board",
        "a joint that closed by chance can open again: test warm and cold before delivery",
        (
            _dump().replace("U1 0 0 read pass", "U1 0 0 read fail")
            + _dump(id="r2", reflowed="U1", stage="final"),
        ),
        "compare",
    ),
}
