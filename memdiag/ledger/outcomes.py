"""What a repair showed: recorded in the ticket's folder, whole and for good, like any entry.

An outcome that speaks against what the ticket holds is kept all the same, and what it speaks
against is kept with it. Of several outcomes of one place the latest counts; what a technician says
counts before what a case proved.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct
from msgspec.structs import asdict, replace

from memdiag import __version__
from memdiag.diagnosis import faults
from memdiag.diagnosis.faults.mechanism import Prior
from memdiag.ledger import store
from memdiag.ledger.entries import OUTCOME, Noted, Survey, read_file
from memdiag.ledger.errors import LedgerError
from memdiag.ledger.records import EntryRows, Values, canonical, clean, of_entry, utc
from memdiag.ledger.ticket_heat import board_of
from memdiag.model import Cause
from memdiag.model.ledger import OUTCOME_FORMAT, WAS
from memdiag.model.quantities import show_probability
from memdiag.model.spelling import closest

_MOST = 1 << 20
_QUIET = (Cause.SPILLOVER.value, Cause.CLEAR.value)
CAUSES = tuple(cause.value for cause in WAS)


class Claim(Struct, frozen=True):
    """What somebody says: at `site` or `rail` (neither: the board) it was `was`, a word of
    `CAUSES`; `kind` is the name of the prior, where the kind of fault is known that well."""

    was: str
    cured: str = "unknown"
    site: str | None = None
    rail: str | None = None
    kind: str | None = None
    proof: str = "technician"
    probability: float | None = None
    note: str | None = None

    @property
    def place(self) -> str:
        return self.site or (f"rail {self.rail}" if self.rail else "the board")


class Outcome(Struct, frozen=True):
    """`outcome.json`, as far as the index holds it."""

    was: str
    cured: str
    recorded: str = ""
    site: str | None = None
    rail: str | None = None
    kind: str | None = None
    proof: str = "technician"
    probability: float | None = None
    note: str | None = None
    against: tuple[str, ...] = ()

    def claim(self) -> Claim:
        return Claim(
            self.was,
            self.cured,
            self.site,
            self.rail,
            self.kind,
            self.proof,
            self.probability,
            self.note,
        )


class Recorded(Struct, frozen=True):
    """What came of it; `fresh` is False where the latest outcome there said the same."""

    claim: Claim
    folder: Path
    fresh: bool
    against: tuple[str, ...] = ()


def by_cause() -> Mapping[str, tuple[Prior, ...]]:
    """The priors that an outcome can speak of, by the cause that most such faults show as."""
    found: dict[str, list[Prior]] = {}
    for prior in faults.priors().values():
        alike = [m for m in faults.MECHANISMS if m.prior.name == prior.name]
        cause = max(alike, key=lambda m: m.share).cause.value
        if cause in CAUSES:
            found.setdefault(cause, []).append(prior)
    return {cause: tuple(priors) for cause, priors in found.items()}


def kinds() -> Mapping[str, str]:
    """The kinds of fault by the names of their priors, each with its cause."""
    return {prior.name: cause for cause, priors in by_cause().items() for prior in priors}


def understood(was: str) -> tuple[str, str | None]:
    """The cause and the kind that a word names. Raises LedgerError where it names neither."""
    word = was.strip().casefold()
    if word in CAUSES:
        return word, None
    named = kinds()
    if word in named:
        return named[word], word
    near = closest(word, [*CAUSES, *named])
    hint = f"; the nearest is {near}" if near else ""
    raise LedgerError("outcome-was", was=repr(was), near=hint, known=", ".join(CAUSES))


def record(root: Path, ticket: str, claim: Claim, now: datetime | None = None) -> Recorded:
    """Append an outcome to a ticket's folder. The same again as what was said last of that place
    changes nothing.

    Raises LedgerError where there is no such ticket or its board has no such place, TicketError
    where it cannot be filed.
    """
    ticket = store.check_id(ticket)
    held = store.look(root, ticket)
    if not held.entries:
        raise LedgerError("outcome-no-ticket", ticket=ticket, near="")
    # What is filed never changes, so it is read before the ticket is held against others.
    filed = [of_entry(entry) for entry in held.entries]
    claim = _placed(claim, ticket, filed)
    against = contradictions(claim, filed)
    against += tuple(_other_witness(claim, held))
    there: list[Noted] = []

    def build(before: Survey) -> store.New | None:
        last = _latest(before, claim)
        if last is not None and last[1].claim() == claim:
            there.append(last[0])
            return None
        document = _document(ticket, claim, against, before, now or datetime.now(UTC))
        data = canonical(document)
        return store.New({OUTCOME: data}, "outcome", hashlib.sha256(data).hexdigest())

    made = store.file_new(root, ticket, build)
    folder = made if made is not None else there[0].folder
    return Recorded(claim, folder, made is not None, against)


def _placed(claim: Claim, ticket: str, filed: Sequence[EntryRows]) -> Claim:
    """The claim with its place spelt as the board does. Raises LedgerError where the board of the
    ticket, as far as it is known, has no such place."""
    board = board_of(filed)
    if board is None:
        return claim

    def spelt(what: str, said: str | None, names: Sequence[str]) -> str | None:
        known = {name.casefold(): name for name in names}
        if said is None or said.casefold() in known:
            return None if said is None else known[said.casefold()]
        near = closest(said, names)
        hint = f"; the nearest is {near}" if near else ""
        fields = {"board": board.name, "ticket": ticket, "what": what, "name": said}
        raise LedgerError("outcome-no-site", **fields, near=hint)

    site = spelt("site", claim.site, [site.ref for site in board.sites])
    return replace(claim, site=site, rail=spelt("rail", claim.rail, [r.name for r in board.rails]))


def _other_witness(claim: Claim, held: Survey) -> Iterator[str]:
    """What a technician said of the place, for a case, or a case for a technician."""
    for noted in held.outcomes:
        try:
            found = read(noted)
        except ValueError:
            continue
        same_place = (found.site, found.rail) == (claim.site, claim.rail)
        if same_place and found.proof != claim.proof and found.was != claim.was:
            by = "proved by the case" if found.proof == "case" else "said by a technician"
            yield f"{noted.folder.name} ({by}) says {claim.place} {found.was}"


def _latest(before: Survey, claim: Claim) -> tuple[Noted, Outcome] | None:
    for noted in reversed(before.outcomes):
        try:
            found = read(noted)
        except ValueError:
            continue
        if (found.site, found.rail, found.proof) == (claim.site, claim.rail, claim.proof):
            return noted, found
    return None


def _document(
    ticket: str, claim: Claim, against: Sequence[str], before: Survey, now: datetime
) -> dict[str, Any]:
    return {
        "format": OUTCOME_FORMAT,
        "tool": __version__,
        "ticket": ticket,
        "recorded": now.isoformat(timespec="seconds"),
        **asdict(claim),
        "against": list(against),
        "after": [one.folder.name for one in before.folders],
    }


def read(noted: Noted) -> Outcome:
    """A recorded outcome. Raises ValueError with the reason where it is no longer what was
    recorded, or none."""
    try:
        raw = read_file(noted.folder / OUTCOME, _MOST)
        if hashlib.sha256(raw).hexdigest() != noted.sha256:
            raise ValueError(f"its {OUTCOME} is no longer what was filed")
        found = msgspec.json.decode(raw, type=Outcome)
    except OSError as wrong:
        raise ValueError(f"its {OUTCOME}: {(wrong.strerror or str(wrong)).lower()}") from None
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as wrong:
        raise ValueError(f"its {OUTCOME} cannot be used: {wrong}") from None
    if found.was not in CAUSES:
        raise ValueError(f"its {OUTCOME} says what no outcome is: {found.was[:40]!r}")
    return found


def row(noted: Noted) -> Values:
    """The outcome as its table has it. Raises ValueError as `read` does."""
    found = read(noted)
    return {
        "sha256": noted.sha256,
        "number": noted.number,
        "folder": noted.folder.name,
        "at": utc(found.recorded),
        "site": clean(found.site),
        "rail": clean(found.rail),
        "was": found.was,
        "kind": clean(found.kind),
        "cured": clean(found.cured),
        "proof": clean(found.proof),
        "probability": found.probability,
        "note": clean(found.note),
        "against": clean("; ".join(found.against)) or None,
    }


# --- what speaks against it ---------------------------------------------------------------------


def contradictions(claim: Claim, filed: Sequence[EntryRows]) -> tuple[str, ...]:
    """What the verdicts of a ticket, in the order they were filed, say to the contrary."""
    runs = [(e.entry["folder"], r) for e in filed for r in e.runs]
    said = dict.fromkeys(_otherwise(claim, runs))
    if runs:
        folder, last = runs[-1]
        if claim.cured == "yes" and last.run["released"] is False:
            said[f"{folder} does not let the board go: {last.run['says']}"] = None
        if claim.cured == "no" and last.run["released"]:
            said[f"{folder} lets the board go"] = None
    return tuple(said)


def _otherwise(claim: Claim, runs: Sequence[tuple[object, Any]]) -> Iterator[str]:
    """Verdicts that name another cause at the place, or, none naming that place, another place."""
    named = [
        (folder, f)
        for folder, r in runs
        for f in r.findings
        if f["cause"] not in _QUIET and not f["expected"]
    ]
    here = [(folder, f) for folder, f in named if is_at(claim, f)]
    for folder, f in here:
        if f["cause"] not in (claim.was, Cause.UNDECIDED.value):
            yield f"{folder} says {claim.place} {f['cause']} ({show_probability(f['probability'])})"
    if not here and claim.was != Cause.CLEAR.value:
        for folder, f in named:
            where = f["site"] or (f"rail {f['rail']}" if f["rail"] else "the board")
            yield f"{folder} says {where} {f['cause']} ({show_probability(f['probability'])})"
        if runs and not named:
            yield f"no verdict of the ticket says that anything is wrong at {claim.place}"


def is_at(claim: Claim, finding: Mapping[str, Any]) -> bool:
    """Whether a finding speaks of the place of an outcome."""
    if claim.site is not None:
        return claim.site == finding["site"] or claim.site in (finding["one_of"] or "").split()
    if claim.rail is not None:
        return bool(claim.rail == finding["rail"])
    return finding["site"] is None and finding["rail"] is None


# --- what a case proves -------------------------------------------------------------------------


class _Established(Struct, frozen=True):
    scope: Mapping[str, Any]
    cause: str
    probability: float
    expected: bool = False
    cured_by: int | None = None


class _CaseRun(Struct, frozen=True):
    sha256: str


class _Case(Struct, frozen=True):
    format: str
    runs: tuple[_CaseRun, ...]
    established: tuple[_Established, ...]


def proved(document: bytes, ticket: str, held: Survey, name: str = "-") -> tuple[Claim, ...]:
    """The outcomes that a case of this ticket (`memdiag-case/1`) proves: what it established and
    names the cure of. Raises LedgerError where it is no such case."""
    try:
        case = msgspec.json.decode(document, type=_Case)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as wrong:
        raise LedgerError("outcome-case", file=name, ticket=ticket, reason=wrong) from None
    if case.format != "memdiag-case/1":
        reason = f"its format is {case.format[:40]}"
        raise LedgerError("outcome-case", file=name, ticket=ticket, reason=reason)
    filed = {entry.sha256 for entry in held.entries}
    strange = [run.sha256 for run in case.runs if run.sha256 not in filed]
    if strange or not case.runs:
        reason = "it has runs that this ticket does not hold"
        raise LedgerError("outcome-case", file=name, ticket=ticket, reason=reason)
    return tuple(
        _of_case(found)
        for found in case.established
        if found.cured_by is not None and found.cause in CAUSES and not found.expected
    )


def _of_case(found: _Established) -> Claim:
    site, rail = (found.scope.get(name) for name in ("site", "rail"))
    claim = Claim(found.cause, "yes", proof="case", probability=found.probability)
    if isinstance(site, str):
        return replace(claim, site=site)
    return replace(claim, rail=rail if isinstance(rail, str) else None)
