"""What a batch of very many dumps writes: its tables, their columns, its summary. Types only."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from msgspec import Struct

from memdiag.model.board import Board

BATCH_FORMAT = "memdiag-batch/1"

Kind = Literal["text", "integer", "real", "boolean", "texts", "integers"]


class DatasetColumn(Struct, frozen=True):
    """A column of a data set: its name, what its cells hold, what it says (for people)."""

    name: str
    kind: Kind
    says: str


C = DatasetColumn

_RUN = (
    C("input", "text", "the input: a file, a member of an archive, a row of a Parquet file"),
    C("number", "integer", "which dump of the input, from 1; nothing where it held none"),
)
_PLACE = (
    C("site", "text", "site"),
    C("channel", "text", "channel"),
    C("rank", "integer", "rank"),
    C("lane", "integer", "byte lane"),
    C("dq", "integers", "data lines: one, or two of a bridge"),
    C("rail", "text", "supply"),
    C("partition", "text", "partition"),
)
_HOW_SURE = (
    C("probability", "real", "that it is this cause, 0 to 1"),
    C("place_probability", "real", "that something is wrong there, 0 to 1"),
)

DATASETS: Mapping[str, tuple[DatasetColumn, ...]] = {
    "verdicts": (
        *_RUN,
        C("sha256", "text", "hash of the input's bytes"),
        C("run", "text", "id of the run"),
        C("serial", "text", "serial number of the board"),
        C("ticket", "text", "ticket"),
        C("stage", "text", "stage of the repair"),
        C("at", "text", "when the run was made, as written"),
        C("memory", "text", "kind of memory"),
        C("cause", "text", "cause that the verdict names; nothing where none was reached"),
        *_PLACE,
        C("one_of", "texts", "sites that the dump does not tell apart, one of which is meant"),
        C("action", "text", "what is to be done"),
        *_HOW_SURE,
        C("says", "text", "the verdict in a sentence"),
        C("released", "boolean", "whether the board may be released"),
        C("obstacles", "texts", "what stands in the way of that beside the findings"),
        C("lines", "integer", "lines of the dump"),
        C("rows", "integer", "rows of data in it, and lines that may have been rows"),
        C("lost", "integer", "how many of those were not understood in full"),
        C("complete", "boolean", "whether the dump has its end"),
        C("aside", "text", "why there is no verdict: the code of a problem"),
        C("reason", "text", "the same in words"),
        C("seconds", "real", "time it took to read and judge; the one column that is measured"),
    ),
    "findings": (
        *_RUN,
        C("finding", "integer", "which finding of the dump, from 1; the most urgent first"),
        C("cause", "text", "cause"),
        *_PLACE,
        C("one_of", "texts", "sites that the dump does not tell apart, one of which is meant"),
        *_HOW_SURE,
        C("alternatives", "texts", "other causes and how probable each is: `joint 0.35`"),
        C("because_of", "text", "what a spillover comes from"),
        C("action", "text", "what is to be done"),
        C("reason", "text", "why"),
        C("expected", "boolean", "whether the run says so itself"),
        C("lines", "integers", "lines of the dump that speak for it"),
        C("next", "texts", "measurements that would settle it"),
    ),
    "problems": (
        *_RUN,
        C("code", "text", "which problem"),
        C("severity", "text", "`error`, `warning` or `info`"),
        C("line", "integer", "line of the dump"),
        C("column", "integer", "column of that line"),
        C("message", "text", "what was wrong"),
        C("hint", "text", "what to do about it"),
    ),
    "tables": (
        *_RUN,
        C("run", "text", "id of the run"),
        C("site", "text", "site"),
        C("channel", "text", "channel"),
        C("rank", "integer", "rank"),
        C("lane", "integer", "byte lane"),
        C("steps_run", "integer", "training steps that ran"),
        C("steps_failed", "integer", "training steps that failed"),
        C("first_failed_step", "text", "the first of those"),
        C("worst_result", "text", "the worst result of a step"),
        C("width_ui", "real", "width of the eye, UI"),
        C("bits", "integer", "bits compared"),
        C("errors", "integer", "bits wrong"),
        C("ber", "real", "errors per bit"),
        C("ber_low", "real", "lower limit of that, two-sided 95 %"),
        C("ber_high", "real", "upper limit of that"),
        C("rose", "integer", "written 0, read 1"),
        C("fell", "integer", "written 1, read 0"),
        C("edc_bad", "integer", "bursts whose link check failed"),
        C("cells", "integer", "distinct addresses wrong"),
        C("cause", "text", "cause"),
        C("probability", "real", "how sure that is"),
    ),
}
"""What a batch writes, each a folder of Parquet files in one folder a board."""

MEASURED = "seconds"
"""The one column that differs from one run of the same batch to the next."""


class CauseCount(Struct, frozen=True):
    """How often one cause was named at one site of a kind of board; `site` is None where the cause
    is of no single package."""

    site: str | None
    cause: str
    count: int


class BoardCount(Struct, frozen=True):
    """The verdicts on one kind of board: by cause, and by site and cause, the most frequent first.
    `name` is None where the dumps name no board. `profile`: to draw it by, where one is known."""

    name: str | None
    dumps: int
    released: int
    causes: tuple[tuple[str, int], ...]
    sites: tuple[CauseCount, ...]
    profile: Board | None = None


class Aside(Struct, frozen=True):
    """An input of which there is no verdict: the code of the problem, and why in words."""

    input: str
    code: str
    reason: str


class BatchSummary(Struct, frozen=True):
    """What a batch came to. `aside`: by code, how many inputs have no verdict, `set_aside` the
    first of them by name; `lossy`: dumps with rows that were not understood, `lost` the dumps with
    most of them (input, rows lost, rows); `problems`: codes of warnings and errors, in how many
    dumps; `slowest`: (input, seconds), none where times are not kept; `seconds`: of all."""

    inputs: int
    dumps: int
    released: int
    boards: tuple[BoardCount, ...]
    aside: tuple[tuple[str, int], ...]
    set_aside: tuple[Aside, ...]
    lossy: int
    lost: tuple[tuple[str, int, int], ...]
    problems: tuple[tuple[str, int], ...]
    slowest: tuple[tuple[str, float], ...]
    seconds: float
