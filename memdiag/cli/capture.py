"""`memdiag capture`: listen to a console, judge each dump in it, and go on listening."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click
from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.cli import common, filing, listening, options, outlet, progress
from memdiag.cli.options import Option
from memdiag.reports import formats
from memdiag.reports.repair_page import RepairPage

if TYPE_CHECKING:
    from memdiag.bench.capture import Capture, Dump, Event
    from memdiag.bench.capture_files import Kept
    from memdiag.ledger.tickets import Judged, Reading

_POLL = 0.2  # seconds between two looks at whether to end
_FORMATS = [form.name for form in formats.of_kind(RepairPage) if not form.binary]


@click.command("capture")
@click.argument("device", metavar="[DEVICE[@BAUD]]", default="-")
@click.option(
    "--keep",
    metavar="FOLDER",
    type=click.Path(),
    default=listening.FOLDER,
    show_default=True,
    help="Keep the bytes here as they come, and the time of each line.",
)
@click.option(
    "--stall",
    type=click.FloatRange(0.1, 3600),
    default=listening.STALL,
    show_default=True,
    metavar="SECONDS",
    help="A dump in which nothing comes for so long has ended.",
)
@click.option(
    "--dumps", type=click.IntRange(1), metavar="N", help="End after N dumps, not with Ctrl-C."
)
@click.option("--ticket", metavar="ID", help="File under this ticket; else the dump's own.")
@click.option(
    "--to",
    "folder",
    metavar="FOLDER",
    type=click.Path(),
    help="File each dump in this folder of tickets, as `memdiag attach` does.",
)
@options.ledger_option
@options.reading_options
@options.shop_option
@click.option(
    "--format",
    "format_",
    type=click.Choice(_FORMATS),
    default=_FORMATS[0],
    show_default=True,
    help="One document a dump, one after the other.",
)
def command(
    *,
    device: str,
    keep: str,
    stall: float,
    dumps: int | None,
    ticket: Option,
    folder: Option,
    url: Option,
    board: Option,
    grammar: Option,
    removed: Option,
    shop: Option,
    format_: str,
) -> int:
    """Listen to a serial console, a pipe, or standard input (-); judge each dump when it ends.

    Every byte is kept on disk as it comes, with the time of each line, whatever is judged of it. A
    dump ends with its end line, or when nothing comes for a while; then the next one is listened
    for. A serial line needs pyserial: pip install 'memdiag[capture]'. Ctrl-C ends it.

    Exit status 0: all clear; 1: a finding wants action; 2: there was no dump, or one could not be
    used or filed.
    """
    from memdiag.bench.capture_lines import known
    from memdiag.boards import profiles
    from memdiag.ledger import tickets
    from memdiag.ledger.store import TicketError, check_id

    if ticket is not None and folder is None:
        raise click.UsageError("--ticket files what comes: name the folder of tickets with --to")
    try:
        ticket = None if ticket is None else check_id(ticket)
    except TicketError as wrong:
        raise click.ClickException(str(wrong)) from None
    settings = common.shop_settings(shop)
    reading = tickets.Reading(board, grammar, common.split_sites(removed), settings)
    with common.usage():
        layouts = known(grammar)
        if board is not None:
            profiles.find(board, board)  # better now than when the first dump has come
    heard = listening.capture(device, keep, layouts, stall)
    place = None if folder is None else _Place(Path(folder), ticket, url)
    kept = heard.kept
    bench = _Bench(heard.name, kept.raw.stem, reading, format_, place)
    outlet.say(f"memdiag listens to {heard.name}, keeps it in {kept.raw}; Ctrl-C ends it", err=True)
    _listen(heard, bench, dumps)
    _say_end(kept, bench)
    return bench.status


class _Place(Struct, frozen=True):
    """Where dumps are filed; `ticket` None: each under its own."""

    folder: Path
    ticket: str | None
    url: str | None


class _Bench(Struct):
    """Judges, prints and files what a capture gives out, and remembers how it went."""

    source: str
    stem: str
    reading: Reading
    form: str
    place: _Place | None
    seen: int = 0  # dumps
    judged: int = 0
    at_fault: bool = False  # one wants action
    failed: bool = False  # one could not be used, or not be filed; or not all could be kept
    _last: tuple[bytes, Judged | None] = field(default=(b"", None))

    @property
    def status(self) -> int:
        return 2 if self.failed or not self.judged else int(self.at_fault)

    def take(self, event: Event) -> None:
        from memdiag.model.problems import Problem, Severity

        if isinstance(event, Problem):
            self.failed = self.failed or event.severity is Severity.ERROR
            told = f"{self.stem}.raw" if event.position is not None else ""
            common.tell([event], quiet_info=False, name=told)
            return
        self.seen = event.number
        text, judged = self._last
        if text != event.text:
            judged = self._judge(event)
            self._last = (event.text, judged)
        if event.final:
            self._last = (b"", None)
            if judged is not None and self.place is not None:
                self._file(event, judged, self.place)

    def _judge(self, dump: Dump) -> Judged | None:
        """The dump, judged and printed; None where it holds nothing that can be read."""
        from memdiag.ledger import tickets
        from memdiag.reading.load import Unreadable

        name = f"{self.stem}, dump {dump.number}"
        outlet.say(f"memdiag: dump {dump.number} (line {dump.line}): {dump.ended.says}", err=True)
        try:
            with common.usage():
                judged = tickets.judged(dump.text, name, self.reading)
        except Unreadable as wrong:
            common.tell(wrong.problems, quiet_info=False, name=name)
        except click.ClickException as wrong:
            outlet.say(f"memdiag: {name}: {wrong.format_message()}", err=True)
        else:
            self._print(judged)
            return judged
        self.failed = True
        return None

    def _print(self, judged: Judged) -> None:
        from memdiag.reports.verdict_page import verdict_page

        if not common.is_shown(self.form, None):
            for verdict in judged.verdicts:
                common.tell(verdict.run.problems, name=judged.name)
        common.write_page(verdict_page(judged.verdicts), self.form, None)
        self.judged += 1
        if not all(verdict.released for verdict in judged.verdicts):
            self.at_fault = True

    def _file(self, dump: Dump, judged: Judged, place: _Place) -> None:
        from memdiag.ledger.captured import Captured
        from memdiag.ledger.store import TicketError, check_id

        made = replace(judged, captured=Captured(self.source, dump.ended, dump.times))
        try:
            ticket = place.ticket or check_id(filing.their_ticket([judged]))
            entry = filing.filed(place.folder, ticket, made)
        except (TicketError, click.UsageError) as wrong:
            self.failed = True
            said = wrong.format_message() if isinstance(wrong, click.UsageError) else str(wrong)
            outlet.say(f"memdiag: error: dump {dump.number} is not filed: {said}", err=True)
            return
        outlet.say(f"filed as {entry}", err=True)
        filing.after(place.folder, ticket, place.url)


def _listen(heard: Capture, bench: _Bench, most: int | None) -> None:
    """Until the source ends, so many dumps have come, or somebody wants to end it."""
    line = progress.Line()
    with _asked_to_end() as asked:
        heard.start()
        while not (asked.is_set() or heard.ended or bench.seen >= (most or bench.seen + 1)):
            _take(heard.poll(_POLL), bench, line)
            if line.is_due():
                line.draw(f"{bench.source}: {heard.state.says}")
        _take(heard.stop(), bench, line)
    line.wipe()


def _take(events: Sequence[Event], bench: _Bench, line: progress.Line) -> None:
    for event in events:
        line.wipe()
        bench.take(event)


def _say_end(kept: Kept, bench: _Bench) -> None:
    if not kept.size:
        outlet.say(f"memdiag: nothing came from {bench.source}, and nothing was kept", err=True)
        return
    said = f"{bench.judged} judged" if bench.judged else "no dump came"
    outlet.say(
        f"memdiag: {said}; {kept.size:,} bytes are kept in {kept.raw}, the times of "
        f"{kept.lines:,} lines in {kept.times.name}",
        err=True,
    )


@contextmanager
def _asked_to_end() -> Iterator[threading.Event]:
    """Set by Ctrl-C or a polite request to end; a second Ctrl-C ends it where it stands."""
    asked = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return

    def hear(number: int, frame: FrameType | None) -> None:
        asked.set()
        signal.signal(number, before[number])

    names = [getattr(signal, n) for n in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, n)]
    # One that is ignored stays so: of a command that goes on without its terminal (nohup).
    before = {n: signal.getsignal(n) for n in names if signal.getsignal(n) != signal.SIG_IGN}
    for number in before:
        signal.signal(number, hear)
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
