"""What the commands that file have in common: whose ticket it is, and saying what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from memdiag.cli import outlet

if TYPE_CHECKING:
    from memdiag.ledger.tickets import Attached, Judged


def their_ticket(dumps: Sequence[Judged]) -> str:
    """The ticket that the heads name. Raises click.UsageError where they name none, or several."""
    named = {v.run.head.ticket for dump in dumps for v in dump.verdicts if v.run.head.ticket}
    if len(named) == 1:
        return named.pop()
    said = f"the dumps name several: {', '.join(sorted(named))}" if named else "no dump names one"
    raise click.UsageError(f"say which ticket with --ticket: {said}")


def filed(folder: Path, ticket: str, dump: Judged) -> Path:
    """File a dump and say on standard error what came of it; its folder. Raises TicketError."""
    from memdiag.ledger import tickets

    done = tickets.attach(folder, ticket, dump)
    _tell(done, dump)
    return done.filed.entry.folder


def after(folder: Path, ticket: str, url: str | None) -> None:
    """What there is to say of a ticket that was filed to, and of its index."""
    from memdiag.ledger import access
    from memdiag.ledger.ticket_heat import heat_warnings

    for note in (*heat_warnings(folder, ticket), *access.after_filing(folder, url)):
        outlet.say(f"memdiag: warning: {note}", err=True)


def _tell(done: Attached, dump: Judged) -> None:
    """What happened, on standard error: the folder alone goes to standard output."""
    for note in done.notes:
        outlet.say(f"memdiag: warning: {note}", err=True)
    for verdict in dump.verdicts:
        outlet.say(f"{verdict.run.head.stage or 'run'}: {verdict.summary.text}", err=True)
    if not done.filed.fresh:
        outlet.say("this dump was filed before: nothing changed", err=True)
    elif done.comparison is not None:
        made = done.comparison
        outlet.say(
            f"against what was filed before: {made.outcome.value}: {made.headline}", err=True
        )
