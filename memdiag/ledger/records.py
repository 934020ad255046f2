"""An entry's folder becomes rows of the index: of its verdicts, as they were filed.

Nothing is judged again. A verdict whose file is no longer what was filed is not believed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

import msgspec
from msgspec import Struct, field

from memdiag.ledger.entries import Entry, damaged, read_file
from memdiag.ledger.tickets import ABOUT, BOARD, About, about
from memdiag.model import Place
from memdiag.reports.plain import printable

VERDICT = "verdict.json"
_VERDICT_MOST = 512 << 20
_PROFILE_MOST = 16 << 20
_INT_MOST = 2**31 - 1
"""What an integer column of any database holds."""

Values = dict[str, object]
_HEAD = ("serial", "board", "stage", "memory", "rig")
_LISTS = ("removed", "replaced", "reflowed")
_NOTHING_SAID = ("", "-")


class _Dump(Struct, frozen=True):
    complete: bool = True
    printed: int = 0
    understood: int = 0


class _Scope(Struct, frozen=True):
    site: str | None = None
    channel: int | str | None = None
    rank: int | None = None
    lane: int | None = None
    dq: int | tuple[int, int] | None = None
    rail: str | None = None
    partition: str | None = None
    group: tuple[str, ...] | None = None

    def place(self) -> Place:
        return Place(
            self.site,
            self.channel,
            self.rank,
            self.lane,
            self.dq,
            self.rail,
            self.partition,
            self.group,
        )


class _Summary(Struct, frozen=True):
    cause: str
    action: str
    text: str
    probability: float
    site: str | None = None
    place: _Scope | None = None
    place_probability: float | None = None


class _Release(Struct, frozen=True):
    allowed: bool


class _Finding(Struct, frozen=True):
    scope: _Scope
    cause: str
    probability: float
    action: str
    because_of: str | None = None
    expected: bool = False
    place_probability: float | None = None
    one_of: tuple[str, ...] = ()


class _Verdict(Struct, frozen=True):
    """The part of `memdiag-verdict/1` that the index holds."""

    run: Mapping[str, str]
    dump: _Dump
    summary: _Summary
    findings: tuple[_Finding, ...]
    release: _Release | None = None


class RunRows(Struct):
    """One run and its findings."""

    run: Values
    findings: list[Values] = field(default_factory=list)


class EntryRows(Struct):
    """What an entry comes to; `profile` as its table has it, `notes` what could not be used."""

    entry: Values
    runs: list[RunRows] = field(default_factory=list)
    profile: Values | None = None
    notes: list[str] = field(default_factory=list)


def of_entry(entry: Entry) -> EntryRows:
    """The rows of an entry. Never raises for what stands in it: that is noted."""
    spoilt = damaged(entry)
    made = EntryRows({"sha256": entry.sha256, "number": entry.number, "folder": entry.folder.name})
    if spoilt:
        made.notes.append(f"{entry.folder.name}: {', '.join(spoilt)} changed since it was filed")
        made.entry["damaged"] = clean(", ".join(spoilt))
    try:
        says = About() if ABOUT in spoilt else about(entry)
        if VERDICT in spoilt:
            raise ValueError(f"its {VERDICT} is no longer what was filed")
        verdicts = _verdicts(entry)
    except ValueError as wrong:
        made.notes.append(f"{entry.folder.name} is set aside: {wrong}")
        return made
    made.entry |= {"filed": utc(says.filed), "tool": clean(says.tool)}
    if BOARD not in spoilt:
        made.profile = _profile(entry, verdicts)
    for position, verdict in enumerate(verdicts):
        row = RunRows(_run(verdict, says) | {"position": position})
        row.run["profile"] = made.profile["sha256"] if made.profile else None
        row.findings = [_finding(f) | {"number": n} for n, f in enumerate(verdict.findings)]
        made.runs.append(row)
    return made


def _verdicts(entry: Entry) -> tuple[_Verdict, ...]:
    """Raises ValueError with the reason where the document cannot be used."""
    try:
        raw = read_file(entry.folder / VERDICT, _VERDICT_MOST)
        if raw.lstrip()[:1] == b"[":
            return msgspec.json.decode(raw, type=tuple[_Verdict, ...])
        return (msgspec.json.decode(raw, type=_Verdict),)
    except OSError as wrong:
        raise ValueError(f"its {VERDICT}: {(wrong.strerror or str(wrong)).lower()}") from None
    except RecursionError:
        raise ValueError(f"its {VERDICT} cannot be used: it is nested too deep") from None
    except (msgspec.MsgspecError, UnicodeDecodeError) as wrong:
        raise ValueError(f"its {VERDICT} cannot be used: {wrong}") from None


def _profile(entry: Entry, verdicts: Iterable[_Verdict]) -> Values | None:
    """The board profile that was filed, None where none was or it is no text."""
    try:
        raw = read_file(entry.folder / BOARD, _PROFILE_MOST)
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return None
    name = next((v.run.get("board") for v in verdicts if v.run.get("board")), None)
    plain = text.replace("\x00", "\ufffd")
    return {"sha256": hashlib.sha256(raw).hexdigest(), "name": clean(name), "text": plain}


def _run(verdict: _Verdict, says: About) -> Values:
    head, s = verdict.run, verdict.summary
    made: Values = {name: clean(_told(head.get(name))) for name in _HEAD}
    made |= {name: clean(_told(head.get(name))) for name in (*_LISTS, "swapped")}
    if says.removed:
        made["removed"] = clean(" ".join((str(made["removed"] or ""), *says.removed)).strip())
    place = s.place.place() if s.place is not None else Place(s.site)
    return made | {
        "run": clean(_told(head.get("id"))),
        "at": utc(head.get("at")),
        "cause": clean(s.cause),
        "site": clean(s.site),
        "action": clean(s.action),
        "probability": s.probability,
        "place": clean(str(place)),
        "place_probability": s.place_probability,
        "released": None if verdict.release is None else verdict.release.allowed,
        "complete": verdict.dump.complete,
        "lost": _small(max(verdict.dump.printed - verdict.dump.understood, 0)),
        "says": clean(s.text),
    }


def _finding(f: _Finding) -> Values:
    scope = f.scope
    return {
        "site": clean(scope.site),
        "channel": None if scope.channel is None else clean(str(scope.channel)),
        "rank": _small(scope.rank),
        "lane": _small(scope.lane),
        "dq": " ".join(map(str, scope.place().lines)) or None,
        "rail": clean(scope.rail),
        "partition": clean(scope.partition),
        "one_of": clean(" ".join(f.one_of)) or None,
        "cause": clean(f.cause),
        "probability": f.probability,
        "place_probability": f.place_probability,
        "action": clean(f.action),
        "because_of": clean(f.because_of),
        "expected": f.expected,
    }


def _told(text: str | None) -> str | None:
    return None if text is None or text.strip() in _NOTHING_SAID else text.strip()


def _small(n: int | None) -> int | None:
    return n if n is None or abs(n) <= _INT_MOST else None


def clean(text: str | None) -> str | None:
    """Text as every database takes it: nothing unseen in it."""
    return None if text is None else printable(text)


def utc(text: str | None) -> str | None:
    """A time in UTC as `2031-03-05T16:00:00Z`, None where it is none."""
    try:
        found = datetime.fromisoformat((text or "").strip())
        found = found if found.tzinfo else found.replace(tzinfo=UTC)
        return found.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    except (ValueError, OverflowError):
        return None


def canonical(document: Mapping[str, Any]) -> bytes:
    """The document as it is filed."""
    return (json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False) + "\n").encode()
