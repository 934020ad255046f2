"""Problems of a batch. Each input is the words of a `memdiag batch` command, given in a folder with
what `tests/depot/bench.py` puts there; of those without, tests provoke each by what it takes."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

_ERROR, _WARNING = Severity.ERROR, Severity.WARNING

KINDS: dict[str, ProblemKind] = {
    # -- the batch cannot begin or go on -----------------------------------------------------
    "batch-nothing": ProblemKind(
        _ERROR,
        "{word} means no file",
        "check the path; a pattern is written in quotes, as 'rigs/**/*.dump'",
        ("nowhere -o out", "'rigs/*.none' -o out", "empty -o out"),
        via="batch",
    ),
    "batch-taken": ProblemKind(
        _ERROR,
        "{folder} is not empty and holds no batch: nothing was written",
        "name a folder that is empty or not there yet",
        ("a.dump -o taken",),
        via="batch",
    ),
    "batch-other": ProblemKind(
        _ERROR,
        "{folder} holds another batch, which differs in: {differs}",
        "name another folder; or give the same inputs and options, from where it was begun, to go "
        "on with that one",
        (
            "b.dump -o begun",
            "a.dump -o begun --removed U6",
            "a.dump -o begun --without-seconds",
            "a.dump -o begun --board quince-8",
        ),
        via="batch",
    ),
    "batch-spoilt": ProblemKind(
        _ERROR,
        "the batch in {folder} cannot be gone on with: {reason}",
        "begin it anew in another folder",
        ("a.dump -o spoilt", "a.dump -o thinned"),
        via="batch",
    ),
    "batch-held": ProblemKind(
        _ERROR, "another memdiag is at work in {folder}", "wait for it, or name another folder"
    ),
    "batch-inputs": ProblemKind(
        _ERROR,
        "the batch in {folder} cannot be gone on with: its inputs do not hold the texts any more "
        "that they held when it was begun",
        "bring them back as they were, or begin it anew in another folder",
        ("grown.zip -o grown",),
        via="batch",
    ),
    "batch-unwritable": ProblemKind(
        _ERROR,
        "cannot write to {folder}: {reason}",
        "what is done is kept; mend it and give the same command again",
        ("a.dump -o a.dump", "a.dump -o /dev/null/out"),
        via="batch",
    ),
    "batch-no-worker": ProblemKind(
        _ERROR,
        "no worker can be started: {reason}",
        "try a larger --memory-each, and memdiag verdict on one dump: what keeps that from "
        "starting is said there",
    ),
    "batch-cluster-lacks": ProblemKind(
        _ERROR,
        "a cluster needs Dask, which is not installed here",
        "pip install 'memdiag[depot]', or leave --cluster away to use this machine",
    ),
    "batch-cluster-none": ProblemKind(
        _ERROR,
        "the cluster at {cluster} cannot be used: {reason}",
        "check the address of its scheduler and that workers are started; or leave --cluster away",
        ("a.dump -o out --cluster tcp://127.0.0.1:1", "a.dump -o out --cluster nonsense://x"),
        via="batch",
    ),
    "batch-cluster-gone": ProblemKind(
        _ERROR,
        "the cluster at {cluster} went away: {reason}",
        "what is done is kept; the same command goes on from there, with this cluster, another or "
        "none",
    ),
    "batch-cluster-other": ProblemKind(
        _ERROR,
        "the cluster at {cluster} would not judge as this memdiag {version} does: {reason}",
        "install this memdiag on every worker, with the same boards and layouts; then give the "
        "same command again",
    ),
    # -- an input has no verdict -------------------------------------------------------------
    "batch-unreadable": ProblemKind(
        _ERROR,
        "it cannot be read: {reason}",
        "check that it is there and may be read",
        ("astray.dump -o out",),
        via="batch",
    ),
    "batch-changed": ProblemKind(
        _ERROR,
        "it was written to while it was read",
        "judge it by itself once it is complete: memdiag verdict",
    ),
    "batch-killed": ProblemKind(
        _ERROR, "it ended its worker twice: {reason}", "look at it by itself: memdiag verdict"
    ),
    "batch-slow": ProblemKind(
        _ERROR,
        "it took more than {reason} s, twice",
        "look at it by itself: memdiag verdict; or begin a batch with a larger --seconds-each",
    ),
    "batch-memory": ProblemKind(
        _ERROR,
        "it asked for more than {reason} MiB of memory, twice",
        "look at it by itself: memdiag verdict; or begin a batch with a larger --memory-each",
    ),
    "batch-fault": ProblemKind(
        _ERROR,
        "a fault in memdiag itself, not in the dump: {reason}",
        "run memdiag verdict on it with MEMDIAG_DEBUG=1 set, and send the output with the dump",
    ),
    "batch-nested": ProblemKind(
        _ERROR,
        "it is an archive inside an archive, which is not looked into",
        "unpack the outer one first",
        ("nested.zip -o out",),
        via="batch",
    ),
    "batch-archive": ProblemKind(
        _ERROR,
        "it cannot be unpacked to its end: {reason}",
        "what was got is judged; copy the file again, or unpack it by other means",
        ("cut.zip -o out", "cut.parquet -o out"),
        via="batch",
    ),
    "batch-member": ProblemKind(
        _ERROR,
        "it holds more than {bound}: nothing larger is taken out of an archive",
        "unpack it first",
        ("bomb.zip -o out",),
        via="batch",
    ),
    "batch-many": ProblemKind(
        _ERROR,
        "it holds more than {most} files: the rest is not read",
        "pack them in several archives",
    ),
    "batch-group": ProblemKind(
        _ERROR,
        "its group of rows {number} holds more than {bound}: the rest is not read",
        "write it anew with smaller groups of rows",
    ),
    "batch-no-text": ProblemKind(
        _ERROR,
        "it is a Parquet file without a column of texts called text; it has: {columns}",
        "name the column of the dumps text",
        ("figures.parquet -o out",),
        via="batch",
    ),
}
