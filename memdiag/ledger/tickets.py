"""Puts a verdict on a repair ticket: the raw dump, the verdict in every form a ticket system or a
bench wants, and the comparison with what the ticket already holds.

What an entry holds: the dump byte for byte (of one that was corrected by hand the corrected text,
and the `original` and `corrections.json` beside it; beside one that was captured `times.csv`),
`verdict.json`, `verdict.md`, `verdict.html`, `table.csv`, `board.svg`, from the second run on
`comparison.json`, `.md` and `.html`, `entry.json` with what is needed to read the dump again in the
same way (and `board.toml`, `layout.lark` beside it), and `SHA256SUMS` over all of them. `store`
brings it to the disk.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct, field

from memdiag import __version__
from memdiag.boards import profiles
from memdiag.diagnosis.settings import Settings
from memdiag.ledger.captured import Captured
from memdiag.ledger.entries import Entry, Survey, damaged, read_file
from memdiag.ledger.store import Filed, TicketError, check_id, dump_name, file_entry, look
from memdiag.model import Run, Verdict
from memdiag.model.comparison import Comparison
from memdiag.model.vocabulary import Vocabulary

FORMAT = "memdiag-entry/1"
BOARD, LAYOUT, ABOUT = "board.toml", "layout.lark", "entry.json"
CORRECTIONS, CORRECTIONS_FORMAT = "corrections.json", "memdiag-corrections/1"
_ABOUT_MOST = 1 << 20

MOST_EARLIER = 8
"""Earlier entries that a comparison takes in: the first, and the latest of the others."""


class Reading(Struct, frozen=True):
    """How a dump is to be read and judged, as on the command line."""

    board: str | None = None
    grammar: str | None = None
    removed: tuple[str, ...] = ()
    shop: Settings | None = None

    @property
    def words(self) -> Vocabulary | None:
        """The shop's words, None for the shipped ones."""
        return None if self.shop is None else self.shop.words.vocabulary()


class Corrected(Struct, frozen=True):
    """What was put right by hand: `original` is the paste as it came, `lines` the number, the old
    text and the new one of each line."""

    original: bytes
    lines: tuple[tuple[int, str, str], ...]


class Judged(Struct, frozen=True):
    """A dump, read and judged, ready to be filed. `name` is where it came from, `corrected` what
    was put right by hand before it was judged, `captured` how it came from a console."""

    raw: bytes
    name: str
    verdicts: tuple[Verdict, ...]
    reading: Reading
    corrected: Corrected | None = None
    captured: Captured | None = None


class Attached(Struct):
    """What came of it: `notes` are sentences for the bench, `comparison` is None where the ticket
    held nothing to compare with, or where nothing was filed because the dump was there already."""

    filed: Filed
    comparison: Comparison | None = None
    notes: list[str] = field(default_factory=list)


def judged(raw: bytes, name: str, reading: Reading, corrected: Corrected | None = None) -> Judged:
    """Read and judge a dump. Raises as `load.load` and `verdict.judge` do."""
    from memdiag.diagnosis.judge import judge
    from memdiag.reading.load import load

    runs = load(
        raw,
        board=reading.board,
        grammar=reading.grammar,
        removed=reading.removed,
        name=name,
        words=reading.words,
    )
    verdicts = tuple(judge(r, reading.board, reading.shop) for r in runs)
    return Judged(raw, name, verdicts, reading, corrected)


def attach(root: Path, ticket: str, dump: Judged, now: datetime | None = None) -> Attached:
    """File a dump with its ticket below `root`, which is made where it is not there.

    The same dump again changes nothing. Raises TicketError; then nothing was filed.
    """
    ticket = check_id(ticket)
    try:
        root.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        reason = (wrong.strerror or str(wrong)).lower()
        raise TicketError(f"cannot make the folder {root}: {reason}; nothing was filed") from wrong
    result = Attached(Filed(Entry(root, 0, "", ""), fresh=False))
    named = {v.run.head.ticket for v in dump.verdicts if v.run.head.ticket}
    if named - {ticket}:
        result.notes.append(
            f"the dump names ticket {', '.join(sorted(named))}, it is filed under {ticket}: check"
        )

    def make(before: Survey) -> Mapping[str, bytes]:
        result.notes.extend(before.aside)
        result.comparison = _against(before.entries, dump, result.notes)
        stamp = now or datetime.now(UTC)
        return _files(ticket, dump, result.comparison, before.entries, stamp)

    result.filed = file_entry(root, ticket, dump.raw, _stage(dump.verdicts), make)
    return result


def _stage(verdicts: Sequence[Verdict]) -> str:
    stages = [v.run.head.stage or "run" for v in verdicts]
    return stages[0] if len(set(stages)) == 1 else f"{stages[0]}-to-{stages[-1]}"


def _against(before: Sequence[Entry], dump: Judged, notes: list[str]) -> Comparison | None:
    """The comparison over all runs of the ticket in the order they were made, None for one run."""
    from memdiag.repair import comparison

    runs: list[Run] = []
    kept = [*before[:1], *before[1:][-(MOST_EARLIER - 1) :]]
    if len(kept) < len(before):
        notes.append(f"compared with the first and the latest of {len(before)} earlier entries")
    for entry in kept:
        runs += _runs(entry, notes, dump.reading)
    runs += [v.run for v in dump.verdicts]
    if len(runs) < 2:
        return None
    runs = _in_order(runs)
    board = dump.verdicts[-1].board
    profile = board if board.known else None
    if len(runs) == 2:
        return comparison.compare(runs[0], runs[1], profile, shop=dump.reading.shop)
    return comparison.history(runs, profile, shop=dump.reading.shop)


def runs_of(root: Path, ticket: str, notes: list[str], reading: Reading) -> list[Run]:
    """The runs filed with a ticket, in the order they were made; `notes` gets what is to be said of
    them. Raises TicketError for an id that can be none."""
    runs: list[Run] = []
    found = look(root, ticket)
    notes.extend(found.aside)
    for entry in found.entries:
        runs += _runs(entry, notes, reading)
    return _in_order(runs)


def board_of(root: Path, ticket: str) -> Path | None:
    """The latest profile that was filed with a run of a ticket and is still what was filed; None
    where there is none. Raises TicketError for an id that can be none."""
    for entry in reversed(look(root, ticket).entries):
        path = entry.folder / BOARD
        if path.is_file() and BOARD not in damaged(entry):
            return path
    return None


def _in_order(runs: list[Run]) -> list[Run]:
    """By their dates where every run has one that can be read, else as they were filed."""
    dates = []
    for run in runs:
        try:
            date = datetime.fromisoformat(run.head.at or "")
        except ValueError:
            return runs
        dates.append(date if date.tzinfo else date.replace(tzinfo=UTC))
    order = sorted(range(len(runs)), key=lambda n: dates[n])
    return [runs[n] for n in order]


def _runs(entry: Entry, notes: list[str], reading: Reading) -> list[Run]:
    """The runs of an earlier entry, read as they were read then; a note where that fails."""
    from memdiag.reading.load import load

    name = entry.folder.name
    wrong = damaged(entry)
    raw = entry.dump()
    if wrong:
        notes.append(f"{name}: {', '.join(wrong)} changed since it was filed")
    if raw is None:
        notes.append(f"{name} is left out of the comparison: its dump is not what was filed")
        return []
    try:
        how = about(entry)
    except ValueError as unusable:
        notes.append(f"{name} is set aside: {unusable}")
        return []
    board, layout = entry.folder / BOARD, entry.folder / LAYOUT
    try:
        return load(
            raw,
            board=board if board.is_file() else None,
            grammar=str(layout) if layout.is_file() else how.grammar,
            removed=how.removed,
            name=name,
            words=reading.words,
        )
    except (ValueError, OSError) as unreadable:
        first = str(unreadable).splitlines()[0] if str(unreadable) else "it cannot be read"
        notes.append(f"{name} is left out of the comparison: {first}")
        return []


class About(Struct, frozen=True):
    """What `entry.json` says of how a dump was read and when it was filed."""

    filed: str = ""
    tool: str = ""
    stages: tuple[str | None, ...] = ()
    grammar: str | None = None
    removed: tuple[str, ...] = ()


def about(entry: Entry) -> About:
    """What the entry says of itself. Raises ValueError with the reason where that is unusable."""
    try:
        return msgspec.json.decode(read_file(entry.folder / ABOUT, _ABOUT_MOST), type=About)
    except OSError as wrong:
        raise ValueError(f"its {ABOUT}: {(wrong.strerror or str(wrong)).lower()}") from None
    except (msgspec.MsgspecError, UnicodeDecodeError) as wrong:
        raise ValueError(f"its {ABOUT} cannot be used: {wrong}") from None
    except RecursionError:
        raise ValueError(f"its {ABOUT} cannot be used: it is nested too deep") from None


def _files(
    ticket: str, dump: Judged, comparison: Comparison | None, before: Sequence[Entry], now: datetime
) -> dict[str, bytes]:
    """Every file of an entry but the dump itself."""
    from memdiag.reports.comparison_page import comparison_page, comparison_part
    from memdiag.reports.drawing import board_svg, drawable
    from memdiag.reports.formats import render
    from memdiag.reports.heat_marks import marks
    from memdiag.reports.verdict_page import verdict_page

    last = dump.verdicts[-1]
    page = verdict_page(dump.verdicts)
    below = comparison_part(comparison, crowded=True) if comparison is not None else None
    texts = {
        "verdict.json": render(page, "json") + "\n",
        "verdict.md": render(page, "markdown"),
        "verdict.html": render(verdict_page(dump.verdicts, below), "html"),
        "table.csv": render(page, "csv"),
    }
    if drawable(last.board):
        texts["board.svg"] = board_svg(last.board, marks(last))
    if comparison is not None:
        against = comparison_page(comparison)
        texts["comparison.json"] = render(against, "json") + "\n"
        texts["comparison.md"] = render(against, "markdown")
        texts["comparison.html"] = render(against, "html")
    files = {name: text.encode("utf-8", "replace") for name, text in texts.items()}
    grammar = dump.reading.grammar
    if grammar is not None and Path(grammar).is_file():
        files[LAYOUT] = Path(grammar).read_bytes()
        grammar = None
    profile = profiles.alone(last.board)
    if profile is not None:
        files[BOARD] = profile
    says: dict[str, Any] = {
        "format": FORMAT,
        "tool": __version__,
        "ticket": ticket,
        "filed": now.isoformat(timespec="seconds"),
        "name": Path(dump.name).name,
        "sha256": last.run.source.sha256,
        "stages": [v.run.head.stage for v in dump.verdicts],
        "after": [entry.folder.name for entry in before],
        "outcome": None if comparison is None else comparison.outcome.value,
        "grammar": grammar,
        "removed": list(dump.reading.removed),
    }
    if dump.corrected is not None:
        says["corrected"] = [number for number, _, _ in dump.corrected.lines]
        files |= _as_it_came(dump.corrected)
    if dump.captured is not None:
        says["captured"] = dump.captured.says()
        files |= dump.captured.files()
    files[ABOUT] = (json.dumps(says, indent=2) + "\n").encode()
    return files


def _as_it_came(corrected: Corrected) -> dict[str, bytes]:
    """The paste before it was corrected, and what was put in place of what."""
    ending = dump_name(corrected.original).removeprefix("dump")
    lines = [{"line": n, "was": was, "now": now} for n, was, now in corrected.lines]
    says = {"format": CORRECTIONS_FORMAT, "tool": __version__, "corrections": lines}
    return {
        f"original{ending}": corrected.original,
        CORRECTIONS: (json.dumps(says, indent=2) + "\n").encode(),
    }
