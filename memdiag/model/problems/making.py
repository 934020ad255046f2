"""Problems of `memdiag board new`. Each input is the words of a command, given in a folder with
what `tests/cli/test_board_new.py` puts there."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

KINDS: dict[str, ProblemKind] = {
    "new-lacking": ProblemKind(
        Severity.ERROR,
        "not known: {what}",
        "give it with {option}",
        (
            "--sites U1-U4 --channels 'from 0, 2 each' --lanes 0-1",
            "one.dump --name other --removed U9",
            "--name b",
            "--name b --sites U1",
        ),
        via="new",
    ),
    "new-left-out": ProblemKind(
        Severity.INFO,
        "left out, for it is not known: {what}",
        "give it with {option}, or write it into the profile",
        ("one.dump",),
        via="new",
    ),
    "new-boards": ProblemKind(
        Severity.ERROR,
        "the dumps are of several boards: {names}",
        "give dumps of one kind of board",
        ("one.dump two.dump",),
        via="new",
    ),
    "new-shares": ProblemKind(
        Severity.ERROR,
        "{have} {what} of the dump have no site, and cannot be shared out to {sites} packages",
        "name every package with --sites, in the order of the channels",
        ("bare.dump --sites U1-U3",),
        via="new",
    ),
    "new-lanes": ProblemKind(
        Severity.INFO,
        "lanes {lanes} of {sites} are a guess: the dump does not name them all",
        "check them, or say them with --lanes or --link",
        ("silent.dump",),
        via="new",
    ),
    "new-partitions": ProblemKind(
        Severity.INFO,
        "partitions are a guess from the numbering: {parts}",
        "check which channels share a block of the controller; --partitions N for N packages each, "
        "0 for none",
        ("one.dump",),
        via="new",
    ),
}
