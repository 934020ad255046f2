"""Problems of the runs of one repair, taken together."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity


def _dump(**head: str) -> str:
    said = {"id": "r1", "board": "pear-3", "memory": "gddr6"} | head
    lines = "".join(f"{key}  {value}\n" for key, value in said.items())
    rows = "[training]\nsite ch lane step result\nU1 0 0 id pass\nU1 0 0 read pass\n[end] 2\n"
    return f"bench-dump 1\n[run]\n{lines}{rows}"


KINDS: dict[str, ProblemKind] = {
    "case-empty": ProblemKind(
        Severity.ERROR,
        "a case holds no run",
        "give the dumps of the repair, the first boot first",
        ("",),
        "case",
    ),
    "case-twice": ProblemKind(
        Severity.WARNING,
        "{name} is given twice",
        "it counts once; give each test boot of the repair once",
        (_dump() + _dump(),),
        "case",
    ),
    "case-order": ProblemKind(
        Severity.WARNING,
        "the runs were taken in the order of their dates: {names}",
        "add --any-order where the rig's clock is wrong",
        (_dump(at="2031-05-02T10:00:00Z") + _dump(id="r2", at="2031-05-01T10:00:00Z"),),
        "case",
    ),
    "case-swap": ProblemKind(
        Severity.WARNING,
        "the swap does not say which package sits at {sites} now",
        "write it for every site that it touched: U3>U5 U5>U3; what sits there is taken as new",
        (_dump() + _dump(id="r2", swapped="U1>U2"),),
        "case",
    ),
}
