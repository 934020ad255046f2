"""What several commands share: reading their inputs, writing their output."""

from __future__ import annotations

import sys
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import click

from memdiag.cli import outlet, progress
from memdiag.cli.options import CAUTIONS
from memdiag.model import Run
from memdiag.model.problems import Problem, Severity
from memdiag.reports import formats
from memdiag.reports.page import Page
from memdiag.reports.plain import clip

if TYPE_CHECKING:
    from memdiag.diagnosis.settings import Settings
    from memdiag.reading.load import Unreadable

_MOST_KEPT = 256 << 20  # bytes of an input that is held as it is: to be filed, to be walked through


def load_runs(
    inputs: Sequence[str],
    *,
    board: str | None = None,
    grammar: str | None = None,
    removed: str | None = None,
    shop: Settings | None = None,
    failed: list[str] | None = None,
) -> list[Run]:
    """Every run of every input, in order.

    An input that cannot be opened or holds no dump is told of; where `failed` is a list it is named
    there and the others are read all the same. Raises click.ClickException (exit 2) for it where
    there is no such list, and where nothing was read.
    """
    from memdiag.reading import load as loading

    runs: list[Run] = []
    for name in dumps_in(inputs):
        try:
            source = piped() if name == "-" else readable(name)
            with usage(), progress.step(f"reading {_short(name)}", _size(source)) as read:
                runs += loading.load(
                    source,
                    board=board,
                    grammar=grammar,
                    removed=split_sites(removed),
                    name=name,
                    words=None if shop is None else shop.words.vocabulary(),
                    watch=read.add,
                )
        except (loading.Unreadable, click.ClickException) as wrong:
            said = _refused(wrong, name)
            if failed is None:
                raise said from None
            failed.append(name)
            outlet.say(f"memdiag: {said.format_message()}: not judged", err=True)
    if failed and not runs:
        raise click.ClickException("none of the inputs could be read")
    return runs


def _refused(wrong: Unreadable | click.ClickException, name: str) -> click.ClickException:
    """What to say of an input that gave no run; its problems are told."""
    if isinstance(wrong, click.ClickException):
        return wrong
    tell(wrong.problems, quiet_info=False, name=name)
    called = "the paste" if name == "-" else name
    return click.ClickException(f"{called} holds no dump that could be read")


def _short(name: str) -> str:
    """A file's name as far as there is room for it on a line."""
    return "the paste" if name == "-" else clip(Path(name).name, 32)


def _size(source: Path | bytes | BinaryIO) -> int | None:
    """How many bytes will be read; None where it is not known: of a pipe, of a packed file."""
    from memdiag.reading.cleaning.packers import PEEK, packer

    if not isinstance(source, Path) or not source.is_file():
        return None
    with suppress(OSError), source.open("rb") as file:
        return source.stat().st_size if packer(file.read(PEEK)) is None else None
    return None


def dumps_in(inputs: Sequence[str]) -> tuple[str, ...]:
    """The inputs with every folder replaced by the files in it, hidden ones left out."""
    names: list[str] = []
    for name in inputs or ("-",):
        path = Path(name)
        if name == "-" or not path.is_dir():
            names.append(name)
            continue
        found = sorted(
            str(p)
            for p in path.rglob("*")
            if p.is_file() and not any(part.startswith(".") for part in p.relative_to(path).parts)
        )
        if not found:
            raise click.ClickException(f"{name} is a folder without files")
        names += found
    return tuple(names)


@contextmanager
def usage() -> Iterator[None]:
    """Turns what a wrong profile, layout or shop file raises into a message and exit status 2."""
    from memdiag.boards.profiles import ProfileError
    from memdiag.layouts.registry import LayoutError

    try:
        yield
    except (LayoutError, ProfileError) as wrong:
        tell(wrong.problems, quiet_info=False)
        raise click.ClickException("nothing was judged") from None
    except OSError as wrong:
        name = f" {wrong.filename}" if wrong.filename else ""
        reason = (wrong.strerror or str(wrong)).lower()
        raise click.ClickException(f"cannot read{name}: {reason}") from None


def shop_settings(path: str | None) -> Settings | None:
    """The shop's settings, None for the shipped ones. Raises click.ClickException."""
    if path is None:
        return None
    from memdiag.diagnosis import settings

    try:
        return settings.read(path)
    except settings.BadSettings as wrong:
        raise click.ClickException(wrong.problem.sentence()) from None


def split_sites(text: str | None) -> tuple[str, ...]:
    return tuple(part for part in (text or "").replace(",", " ").split() if part != "-")


def readable(name: str) -> Path:
    """A file that can be opened. Raises click.ClickException where it cannot."""
    path = Path(name)
    try:
        if path.is_dir():
            raise click.ClickException(f"{name} is a folder: name the dump inside it")
        if path.is_file() or not path.exists():
            path.open("rb").close()
        return path  # a pipe is opened once only
    except OSError as wrong:
        reason = wrong.strerror or str(wrong)
        raise click.ClickException(f"cannot read {name}: {reason.lower()}") from None


def piped() -> bytes | BinaryIO:
    """The paste: standard input as it comes, where it is a pipe or a file; from a terminal all up
    to the first `[end]` line."""
    stream = sys.stdin.buffer
    if not sys.stdin.isatty():
        return stream
    outlet.say("Paste the dump; it ends at its [end] line (or press Ctrl-D).", err=True)
    lines = []
    for line in stream:
        lines.append(line)
        if line.strip().lower().startswith(b"[end]"):
            break
    return b"".join(lines)


def whole(name: str) -> bytes:
    """All bytes of an input, which is to be kept as it is. Raises click.ClickException where it
    cannot be read, or is larger than is kept."""
    source = piped() if name == "-" else readable(name)
    if isinstance(source, bytes):
        return source
    try:
        with source.open("rb") if isinstance(source, Path) else nullcontext(source) as file:
            data = file.read(_MOST_KEPT + 1)
    except OSError as wrong:
        reason = wrong.strerror or str(wrong)
        raise click.ClickException(f"cannot read {name}: {reason.lower()}") from None
    if len(data) > _MOST_KEPT:
        called = "the paste" if name == "-" else name
        raise click.ClickException(
            f"{called} holds more than {_MOST_KEPT >> 20} MiB: pack it first"
        )
    return data


def is_shown(format_: str | None, output: str | None) -> bool:
    """Whether the page that comes shows its problems on the terminal that standard error goes to
    as well: there they are not printed twice."""
    as_text = format_ in (None, "text") and output in (None, "-")
    streams = (sys.stdout, sys.stderr)  # a stream that was closed is None
    return as_text and all(stream is not None and stream.isatty() for stream in streams)


def tell(problems: Sequence[Problem], *, quiet_info: bool = True, name: str = "") -> None:
    """Problems to standard error, one a line: errors and warnings, info only where asked for."""
    for p in problems:
        if p.severity is Severity.INFO and quiet_info:
            continue
        head = f"{name}: " if name and name != "-" else ""
        outlet.say(f"memdiag: {p.severity}: {head}{p.sentence()}", err=True)


def write(made: str | bytes, output: str | None, *, over: Collection[str] = ()) -> None:
    """To the file, whole or not at all, or to standard output. Bytes stay as they are: line ends,
    escape codes and all. `over`: parameters of the command whose files may be written over.

    Raises click.ClickException where it cannot be written, or the file is an input.
    """
    if isinstance(made, str) and not made.endswith("\n"):
        made += "\n"
    if output is not None and output != "-":
        data = made.encode("utf-8") if isinstance(made, str) else made
        outlet.to_file(data, output, _inputs(over))
    elif isinstance(made, str):
        outlet.say(made, nl=False)
    else:
        outlet.send(made)


def _inputs(over: Collection[str]) -> Iterator[str]:
    """Every file that the command in hand was given, but for those of the parameters `over`."""
    context = click.get_current_context(silent=True)
    for key, value in (context.params if context is not None else {}).items():
        if key not in ("output", *over):
            names = value if isinstance(value, tuple) else (value,)
            given = [name for name in names if isinstance(name, str) and name != "-"]
            yield from dumps_in(given) if key == "inputs" and given else given
    if context is not None and context.params.get("ticket") and context.params.get("folder"):
        entries = Path(context.params["folder"]) / context.params["ticket"]
        yield from map(str, entries.glob("*/*"))


def page_format(kind: type[Page], format_: str | None, output: str | None) -> formats.Format:
    """The format said, or where none is said the one that the file's ending names.
    Raises click.UsageError where it needs a file and none is named."""
    form = formats.chosen(kind, format_, output)
    if form.binary and output in (None, "-"):
        raise click.UsageError(f"{form.name} is no text: name a file with -o")
    return form


def write_page(page: Page, format_: str | None, output: str | None) -> None:
    """The page in its format, as `page_format` has it. Raises click.ClickException where that needs
    a module that is not there: a format of one's own may name any."""
    form = page_format(type(page), format_, output)
    if form.name == "text" and output in (None, "-") and _on_terminal(page):
        return
    try:
        made = form.render(page)
    except ImportError as wrong:
        raise click.ClickException(f"{form.name}: {wrong}") from None
    write(made, output)


def _on_terminal(page: Page) -> bool:
    """The page as a terminal shows it; False where standard output is none."""
    from memdiag.cli.terminal import screen
    from memdiag.reports import text

    context = click.get_current_context(silent=True)
    found = screen(every_caution=bool(context and context.meta.get(CAUTIONS)))
    if found is None:
        return False
    shown = text.render(page, found)
    outlet.send(shown.encode(sys.stdout.encoding or "utf-8", "backslashreplace"))
    return True
