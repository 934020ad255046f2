"""What the page files with a ticket, each whole or not at all. Runs in a worker.

Every one returns what is to be said of it; Refusal says that nothing was filed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from memdiag.bench import documents, filed, photos, run_text
from memdiag.bench.refusal import Refusal
from memdiag.diagnosis.settings import Settings
from memdiag.ledger import access, beside, outcomes, tickets
from memdiag.ledger.captured import Captured
from memdiag.ledger.errors import LedgerError
from memdiag.ledger.store import TicketError, check_id
from memdiag.ledger.ticket_heat import heat_warnings
from memdiag.reading.corrections import corrected, pasted_lines
from memdiag.reading.sources import Unreadable

Place = tuple[Path, str | None, Settings | None]
"""The folder of tickets, the index as for `memdiag ledger`, the shop's settings."""


@contextmanager
def _refusals() -> Iterator[None]:
    """What cannot be filed, as the page says it."""
    try:
        yield
    except TicketError as wrong:
        raise Refusal.of(422, "bench-field", field="ticket", reason=str(wrong)) from None
    except LedgerError as wrong:
        raise Refusal(422, (wrong.problem,)) from None
    except Unreadable as wrong:
        raise Refusal(422, wrong.problems) from None


def paste(
    where: Place,
    ticket: str,
    raw: bytes,
    fixes: Mapping[int, str],
    board: str | None,
    captured: Captured | None = None,
) -> tuple[str, ...]:
    """File a paste with its corrections, the paste as it came beside it, and when its lines came
    where it is from a console."""
    named = documents.named(board)
    with _refusals():
        check_id(ticket)
        before = pasted_lines(raw) if fixes else ()
        lines = tuple((n, before[n - 1], fixes[n]) for n in sorted(fixes))
        by_hand = tickets.Corrected(raw, lines) if lines else None
        text = corrected(raw, fixes)
        origin = None if named is None else named.origin
        return _file(where, ticket, _Text(text, origin, by_hand, captured))


def entered(
    where: Place,
    ticket: str,
    stage: str,
    said: Mapping[str, str],
    rails: tuple[tuple[str, ...], ...] = (),
    heat: tuple[tuple[str, ...], ...] = (),
) -> tuple[str, ...]:
    """File what was entered in a form, as a run."""
    held = filed.ticket(where[0], ticket, where[2])
    before = run_text.last_head(held.runs)
    made = run_text.Entered(held.ticket, stage, before, said, rails, heat)
    with _refusals():
        raw = run_text.checked(made, held.board_file, datetime.now(UTC))
        return _file(where, held.ticket, _Text(raw, held.board_file))


class _Text(Struct, frozen=True):
    """What is filed as a run: the text, the board's file, and how it came to be."""

    raw: bytes
    board: str | None
    by_hand: tickets.Corrected | None = None
    captured: Captured | None = None


def _file(where: Place, ticket: str, text: _Text) -> tuple[str, ...]:
    folder, ledger, shop = where
    reading = tickets.Reading(board=text.board, shop=shop)
    made = tickets.judged(text.raw, "bench", reading, text.by_hand)
    done = tickets.attach(folder, ticket, replace(made, captured=text.captured))
    said = list(done.notes)
    if not done.filed.fresh:
        said.append("this dump was filed before: nothing changed")
    else:
        said.append(f"filed as {done.filed.entry.folder.name}")
    said += heat_warnings(folder, ticket)
    return (*said, *access.after_filing(folder, ledger))


def note(where: Place, ticket: str, text: str) -> tuple[str, ...]:
    """Keep a note."""
    if not text.strip():
        raise Refusal.of(422, "bench-field", field="note", reason="it is empty")
    with _refusals():
        made = beside.keep_note(where[0], ticket, text)
    return ("the note is kept" if made else "the ticket has this note: nothing changed",)


def photo(where: Place, ticket: str, data: bytes, caption: str) -> tuple[str, ...]:
    """Keep a photograph, written anew."""
    fresh, ending = photos.rewritten(data)
    with _refusals():
        made = beside.keep_photo(where[0], ticket, fresh, ending, caption)
    if made is None:
        return ("the ticket has this photograph: nothing changed",)
    return (
        f"the photograph is kept ({len(fresh) >> 10} KiB), without what the camera wrote in it",
    )


def close(where: Place, ticket: str, said: Mapping[str, str]) -> tuple[str, ...]:
    """Record what the repair showed. `said` has was, cured, place, note."""
    folder, ledger, _ = where
    with _refusals():
        was, kind = outcomes.understood(said["was"])
        site, rail = _placed(said["place"])
        claim = outcomes.Claim(was, said["cured"], site, rail, kind, note=said["note"] or None)
        done = outcomes.record(folder, ticket, claim)
        index = access.after_filing(folder, ledger)
    if not done.fresh:
        return ("this was recorded before: nothing changed",)
    against = [f"it speaks against {text}" for text in done.against]
    return (f"recorded: {claim.place} was {was}", *against, *index)


def _placed(place: str) -> tuple[str | None, str | None]:
    """A site, or `rail NAME`, or neither."""
    if place.startswith("rail "):
        return None, place.removeprefix("rail ")
    return place or None, None
