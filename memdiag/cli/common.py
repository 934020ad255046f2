"""What several commands share: their options, reading their inputs, writing their output."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from memdiag.model.problems import Problem, Severity
from memdiag.model.records import Run

if TYPE_CHECKING:
    import pandas as pd

    from memdiag.diagnosis.settings import Settings

F = TypeVar("F", bound=Callable[..., Any])

Option = str | None

FORMATS = ("text", "json", "csv", "markdown", "html")


def typed(parse: Callable[[str], Any]) -> Callable[[Any, Any, str | None], Any]:
    """A click callback from a parser that raises ValueError with a sentence."""

    def read(_context: Any, _parameter: Any, text: str | None) -> Any:
        try:
            return None if text is None else parse(text)
        except ValueError as wrong:
            raise click.BadParameter(str(wrong)) from None

    return read


def input_argument(f: F) -> F:
    """`[INPUT...]`: files, or - for standard input."""
    return click.argument("inputs", nargs=-1, metavar="[INPUT]...", type=click.Path())(f)


def reading_options(f: F) -> F:
    """`--board`, `--grammar`, `--removed`: how the inputs are to be read."""
    f = click.option("--removed", metavar="SITES", help="Sites empty on purpose: U6 or U6,U7.")(f)
    f = click.option("--grammar", metavar="NAME|FILE", help="Read this layout, do not guess.")(f)
    return click.option("--board", metavar="FILE", help="The board profile to use.")(f)


def shop_option(f: F) -> F:
    return click.option(
        "--shop",
        metavar="FILE",
        type=click.Path(),
        help="The shop's own priors, limits and costs (TOML).",
    )(f)


def output_options(*formats: str) -> Callable[[F], F]:
    """`--format` and `-o`."""

    def wrap(f: F) -> F:
        f = click.option("-o", "--output", metavar="FILE", type=click.Path(), help="Write here.")(f)
        return click.option(
            "--format", "format_", type=click.Choice(formats), default=formats[0], show_default=True
        )(f)

    return wrap


def load_runs(
    inputs: Sequence[str],
    *,
    board: str | None = None,
    grammar: str | None = None,
    removed: str | None = None,
) -> list[Run]:
    """Every run of every input, in order. Raises click.ClickException (exit 2) where an input
    cannot be opened or holds no dump."""
    from memdiag.reading import load as loading

    runs: list[Run] = []
    for name in dumps_in(inputs):
        source: bytes | Path = standard_input() if name == "-" else readable(name)
        try:
            with usage():
                runs += loading.load(
                    source, board=board, grammar=grammar, removed=split_sites(removed), name=name
                )
        except loading.Unreadable as wrong:
            tell(wrong.problems, quiet_info=False, name=name)
            raise click.ClickException(
                f"{'the paste' if name == '-' else name} holds no dump that could be read"
            ) from None
    return runs


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
        with path.open("rb"):
            return path
    except OSError as wrong:
        reason = wrong.strerror or str(wrong)
        raise click.ClickException(f"cannot read {name}: {reason.lower()}") from None


def standard_input() -> bytes:
    """The paste: from a pipe to its end; from a terminal to the first `[end]` line."""
    stream = sys.stdin.buffer
    if not sys.stdin.isatty():
        return stream.read()
    click.echo("Paste the dump; it ends at its [end] line (or press Ctrl-D).", err=True)
    lines = []
    for line in stream:
        lines.append(line)
        if line.strip().lower().startswith(b"[end]"):
            break
    return b"".join(lines)


def tell(problems: Sequence[Problem], *, quiet_info: bool = True, name: str = "") -> None:
    """Problems to standard error, one a line: errors and warnings, info only where asked for."""
    for p in problems:
        if p.severity is Severity.INFO and quiet_info:
            continue
        head = f"{name}: " if name and name != "-" else ""
        click.echo(f"memdiag: {p.severity}: {head}{p.sentence()}", err=True)


def write(text: str, output: str | None) -> None:
    """To the file, whole or not at all, or to standard output."""
    if not text.endswith("\n"):
        text += "\n"
    if output is None or output == "-":
        click.echo(text, nl=False)
        return
    with _whole(output) as partial:
        partial.write_text(text, encoding="utf-8")


def write_bytes(data: bytes, output: str | None) -> None:
    """The same for bytes that have to stay as they are: line ends, escape codes and all."""
    if output is None or output == "-":
        click.echo(data, nl=False)
        return
    with _whole(output) as partial:
        partial.write_bytes(data)


def write_parquet(frame: pd.DataFrame, output: str) -> None:
    """The table as a Parquet file. Raises click.ClickException without pyarrow."""
    try:
        with _whole(output) as partial:
            frame.to_parquet(partial, index=False)
    except ImportError:
        raise click.ClickException(
            "Parquet needs pyarrow: pip install 'memdiag[bulk]', or take --format csv"
        ) from None


@contextmanager
def _whole(output: str) -> Iterator[Path]:
    """A hidden file beside `output` that takes its place once it is complete."""
    target = Path(output)
    partial = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        yield partial
        partial.replace(target)
    except OSError as wrong:
        raise click.ClickException(
            f"cannot write {output}: {(wrong.strerror or str(wrong)).lower()}"
        ) from None
    finally:
        partial.unlink(missing_ok=True)
