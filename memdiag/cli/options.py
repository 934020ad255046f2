"""Options and arguments that several commands have."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click
from click.core import ParameterSource

from memdiag.reports import formats
from memdiag.reports.page import Page

F = TypeVar("F", bound=Callable[..., Any])

Option = str | None


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


def removed_option(f: F) -> F:
    said = "Sites empty on purpose: U6 or U6,U7."
    return click.option("--removed", metavar="SITES", help=said)(f)


def reading_options(f: F) -> F:
    """`--board`, `--grammar`, `--removed`: how the inputs are to be read."""
    f = removed_option(f)
    f = click.option("--grammar", metavar="NAME|FILE", help="Read this layout, do not guess.")(f)
    return click.option("--board", metavar="FILE", help="The board profile to use.")(f)


def shop_option(f: F) -> F:
    said = "The shop's own priors, limits and costs (TOML)."
    return click.option("--shop", metavar="FILE", type=click.Path(), help=said)(f)


def output_options(*names: str) -> Callable[[F], F]:
    """`--format`, None where it is not said, and `-o`."""

    def said(context: click.Context, parameter: click.Parameter, value: str) -> str | None:
        source = context.get_parameter_source(parameter.name or "")
        return None if source is ParameterSource.DEFAULT else value

    def wrap(f: F) -> F:
        f = click.option("-o", "--output", metavar="FILE", type=click.Path(), help="Write here.")(f)
        return click.option(
            "--format",
            "format_",
            type=click.Choice(names),
            default=names[0],
            show_default=True,
            callback=said,
        )(f)

    return wrap


CAUTIONS = "memdiag.every-caution"
"""Where a context keeps whether every caution is wanted in full."""


def page_options(kind: type[Page]) -> Callable[[F], F]:
    """`--format` with every format that can show this kind of page, `-o`, and `--cautions`."""

    def asked(context: click.Context, _parameter: click.Parameter, value: bool) -> None:
        context.meta[CAUTIONS] = value

    def wrap(f: F) -> F:
        said = "On a terminal: every caution in full."
        f = click.option("--cautions", is_flag=True, expose_value=False, callback=asked, help=said)(
            f
        )
        return output_options(*(form.name for form in formats.of_kind(kind)))(f)

    return wrap


def ledger_option(f: F) -> F:
    said = "The index of tickets: a file or URL as for `memdiag ledger`; none for none."
    return click.option("--ledger", "url", metavar="URL", help=said)(f)
