"""What the ledger says: the columns of its views, heat, and what outcomes teach. Types only."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from msgspec import Struct

from memdiag.model.board import Board
from memdiag.model.verdict import Cause

Kind = Literal["text", "integer", "real", "boolean"]

OUTCOME_FORMAT = "memdiag-outcome/1"
STATISTICS_FORMAT = "memdiag-statistics/1"
LEDGER_FORMAT = "memdiag-ledger/1"

WAS: tuple[Cause, ...] = (
    Cause.MISSING,
    Cause.WEAK,
    Cause.JOINT,
    Cause.BRIDGE,
    Cause.SUPPLY,
    Cause.CONTROLLER,
    Cause.CLEAR,
)
"""What an outcome may say that it was; `clear`: nothing was wrong there."""

CURED = ("yes", "no", "unknown")
PROOFS = ("technician", "case")


class ViewColumn(Struct, frozen=True):
    """A column of a view: its name, what its cells hold, what it says (for people)."""

    name: str
    kind: Kind
    says: str


C = ViewColumn

_TICKET = C("ticket", "text", "the ticket")
_WHO = (
    _TICKET,
    C("serial", "text", "serial number of the board, as the dump says"),
    C("board", "text", "name of the board's kind"),
)
_RUN = (
    *_WHO,
    C("entry", "text", "folder of the entry in the ticket"),
    C("position", "integer", "which dump of the entry, from 0"),
    C("at", "text", "when the run was made, else when it was filed (UTC)"),
    C("stage", "text", "stage of the repair"),
)

VIEWS: Mapping[str, tuple[ViewColumn, ...]] = {
    "tickets": (
        *_WHO,
        C("runs", "integer", "runs filed"),
        C("first_at", "text", "time of the first run (UTC)"),
        C("last_at", "text", "time of the last run (UTC)"),
        C("stage", "text", "stage of the last run"),
        C("released", "boolean", "whether the last run's verdict lets the board go"),
        C("cause", "text", "cause that the last run's verdict names"),
        C("site", "text", "its site"),
        C("action", "text", "what it asks for"),
        C("probability", "real", "how sure it is of the cause, 0 to 1"),
        C("outcomes", "integer", "outcomes recorded"),
    ),
    "runs": (
        *_RUN,
        C("run", "text", "id of the run"),
        C("memory", "text", "kind of memory"),
        C("rig", "text", "rig it was made on"),
        C("removed", "text", "sites empty on purpose"),
        C("replaced", "text", "sites with a new package"),
        C("reflowed", "text", "sites heated with the package left on"),
        C("swapped", "text", "packages moved from site to site"),
        C("cause", "text", "cause that the verdict names first"),
        C("site", "text", "its site"),
        C("action", "text", "what it asks for"),
        C("probability", "real", "how sure it is of the cause, 0 to 1"),
        C("place", "text", "where it says that something is wrong"),
        C("place_probability", "real", "how sure it is of that, 0 to 1"),
        C("released", "boolean", "whether the verdict lets the board go"),
        C("complete", "boolean", "whether the dump ends as it should"),
        C("lost", "integer", "rows, cells and lines not understood"),
        C("says", "text", "the answer in one line"),
        C("sha256", "text", "of the filed dump"),
        C("damaged", "text", "files of the entry that were changed when it was indexed"),
    ),
    "findings": (
        *_RUN,
        C("number", "integer", "which finding of the run, most urgent first, from 0"),
        C("site", "text", "site, where it is one"),
        C("channel", "text", "channel"),
        C("rank", "integer", "rank"),
        C("lane", "integer", "lane"),
        C("dq", "text", "data line, or two of a bridge"),
        C("rail", "text", "rail"),
        C("partition", "text", "partition"),
        C("one_of", "text", "sites that are not told apart"),
        C("cause", "text", "cause"),
        C("probability", "real", "that it is this cause here, 0 to 1"),
        C("place_probability", "real", "that something is wrong here, 0 to 1"),
        C("action", "text", "what is to be done"),
        C("because_of", "text", "where a disturbance comes from"),
        C("expected", "boolean", "whether the run declared it"),
    ),
    "heat": (
        *_RUN,
        C("action", "text", "the work: removed, replaced, reflowed or swapped"),
        C("worked_at", "text", "site that was worked on"),
        C("site", "text", "site that was heated: that one, or a neighbour"),
        C("own", "boolean", "whether it is the site that was worked on"),
        C("cycles", "integer", "heat cycles of this work there"),
        C("total", "integer", "cycles of the package now there: on this ticket up to now"),
        C("gap_mm", "real", "between the two packages' edges; 0 back to back"),
    ),
    "outcomes": (
        _TICKET,
        C("entry", "text", "folder of the outcome in the ticket"),
        C("at", "text", "when it was recorded (UTC)"),
        C("site", "text", "site, where it is one"),
        C("rail", "text", "rail, where it is one"),
        C("was", "text", "what was wrong there; clear for nothing"),
        C("kind", "text", "the kind of fault by the name of its prior, where that is known"),
        C("cured", "text", "whether the repair cured it: yes, no, unknown"),
        C("proof", "text", "who says so: technician, or case (proved by the case)"),
        C("probability", "real", "of the case, where it is the proof"),
        C("note", "text", "remark"),
        C("against", "text", "what of the record speaks against it"),
    ),
}
"""The views of the ledger, for any SQL browser or spreadsheet. Columns are only ever added."""

Row = Mapping[str, object]
"""A row of a view, by its columns."""


class Beside(Struct, frozen=True):
    """A neighbour's share in a site's heat: how often work at `site` heated it, `gap` mm from edge
    to edge (None where the profile has no place or size); `back`: on the other side."""

    site: str
    cycles: int
    gap: float | None
    back: bool = False


class SiteHeat(Struct, frozen=True):
    """What the package now at a site has been through on a ticket. `factory` cycles soldered it on
    before (0 for a package that the ticket fitted)."""

    site: str
    own: int
    factory: int
    beside: tuple[Beside, ...] = ()

    @property
    def life(self) -> int:
        """Reflows in its life, at the least."""
        return self.own + self.factory

    @property
    def exposed(self) -> int:
        """Cycles of work beside it: hot air near, whether it melted or not."""
        return sum(b.cycles for b in self.beside)


class LearntPrior(Struct, frozen=True):
    """One prior, as it was before and as learnt. `found` boards had its cause, of `named` the kind
    itself was named; `low` and `high` hold 95 % of what the shop's figure may be."""

    name: str
    cause: str
    shipped: float
    found: int
    named: int
    learnt: float
    low: float
    high: float


class Bin(Struct, frozen=True):
    """Statements of about one probability: their mean, how many, how many were right, and the
    exact two-sided 95 % limits of that share."""

    stated: float
    count: int
    right: int
    low: float
    high: float

    @property
    def share(self) -> float:
        return self.right / self.count


class Calibration(Struct, frozen=True):
    """How often statements were right. `what`: which statements; `unknown` of them no outcome
    speaks of; `error` is the mean distance between stated and right, None of no statements."""

    what: str
    bins: tuple[Bin, ...]
    unknown: int
    error: float | None
    brier: float | None

    @property
    def count(self) -> int:
        return sum(b.count for b in self.bins)


class SiteCount(Struct, frozen=True):
    """Faults that outcomes found at a site (or rail), by cause, most first."""

    site: str
    causes: tuple[tuple[str, int], ...]

    @property
    def count(self) -> int:
        return sum(n for _, n in self.causes)


class BoardFaults(Struct, frozen=True):
    """Where boards of one kind fail: `tickets` with an outcome, and the sites. `profile` is the
    newest filed profile of that name, None where none was filed."""

    name: str
    tickets: int
    sites: tuple[SiteCount, ...]
    profile: Board | None = None


class Cure(Struct, frozen=True):
    """How often an action cured: `cured` of `tried`."""

    cause: str
    tried: int
    cured: int


class Statistics(Struct, frozen=True):
    """What outcomes teach. `weight` is how many boards the shipped priors count for."""

    tickets: int
    boards: int
    outcomes: int
    proved: int
    against: int
    weight: float
    priors: tuple[LearntPrior, ...]
    calibrations: tuple[Calibration, ...]
    faults: tuple[BoardFaults, ...]
    cures: tuple[Cure, ...]
    notes: tuple[str, ...] = ()
