"""The command line: which command lives where, and what a failure looks like.

Each command's module is imported only when it is called for, so that `memdiag soak` does not
pay for a parser and `memdiag verdict` not for a template engine.
"""

from __future__ import annotations

import io
import os
import signal
import sys
from importlib import import_module
from typing import Any

import click

from memdiag import __version__
from memdiag.cli import outlet, progress

# The posterior is many small products: the threads of the library below numpy wait for each other
# in a loop, which on a busy machine takes many times as long as the sums. To be set before numpy
# loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

STOPPED = 128 + signal.SIGINT
"""The exit status after Ctrl-C, as shells have it (Bash manual, 3.7.5)."""

_COMMANDS = {
    "attach": ("memdiag.cli.attach", "File dump, verdict and pictures with a repair ticket."),
    "baseline": ("memdiag.cli.baseline", "Learn from good boards what healthy looks like."),
    "batch": ("memdiag.cli.batch", "Judge very many dumps, on all cores or a cluster."),
    "board": ("memdiag.cli.board", "List, check, draw and begin board profiles."),
    "capture": ("memdiag.cli.capture", "Listen to a console and judge each dump in it."),
    "case": ("memdiag.cli.case", "Judge all runs of one repair together."),
    "compare": ("memdiag.cli.compare", "Say what changed from one run to the next."),
    "completion": ("memdiag.cli.completion", "Print what a shell completes commands with."),
    "grammar": ("memdiag.cli.grammar", "List, show and check layout grammars."),
    "ledger": ("memdiag.cli.ledger", "List, search and export tickets; learn from outcomes."),
    "rails": ("memdiag.cli.rails", "Judge ohm readings without a dump."),
    "read": ("memdiag.cli.read", "Print the per-channel error table of a dump."),
    "sample": ("memdiag.cli.sample", "Write a ready sample dump."),
    "serve": ("memdiag.cli.serve", "Serve the bench page, and the documents over HTTP."),
    "soak": ("memdiag.cli.soak", "Say how long to run to prove an error rate."),
    "verdict": ("memdiag.cli.verdict", "Say what is at fault and what to do next."),
}


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command: click.Command = import_module(_COMMANDS[cmd_name][0]).command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in _COMMANDS and not name.startswith("-"):
            from memdiag.model.spelling import closest

            near = closest(name, list(_COMMANDS))
            hint = f" Did you mean: memdiag {near}" if near else ""
            ctx.fail(f"there is no command {name!r}.{hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, _COMMANDS[name][1]) for name in sorted(_COMMANDS)])


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="memdiag")
def app() -> None:
    """From a memory training dump to a verdict: which site, what is wrong, what to do next.

    \b
    Paste a dump after a test boot:         memdiag verdict
    Prove a repair from two dumps:          memdiag compare before.txt after.txt
    File dump and verdict with a ticket:    memdiag attach dump.txt --ticket R-1187 --to tickets

    An INPUT of - (or none) reads a paste from standard input; at a terminal the paste ends
    at its [end] line. Exit status: 0 clear, 1 a finding that wants action, 2 unusable input.
    """


def main() -> None:
    """Entry point: a user sees a sentence, never a traceback (MEMDIAG_DEBUG=1 shows it)."""
    try:
        status: Any = app.main(standalone_mode=False, prog_name="memdiag")
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.Abort:
        outlet.say(f"memdiag: {progress.stopped()}", err=True)
        sys.exit(STOPPED)
    except click.ClickException as wrong:
        shown = io.StringIO()
        wrong.show(file=shown)
        outlet.say(shown.getvalue(), err=True, nl=False)
        sys.exit(2)
    except BrokenPipeError:
        # The reader of our output went away (`| head`); nothing is left to say to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(2)
    except Exception as bug:
        if os.environ.get("MEMDIAG_DEBUG"):
            raise
        outlet.say(
            f"memdiag: a fault in memdiag itself, not in your dump: {type(bug).__name__}: {bug}\n"
            "  Nothing was judged. Run again with MEMDIAG_DEBUG=1 set and send the output with "
            "the dump.",
            err=True,
        )
        sys.exit(2)
    sys.exit(status if isinstance(status, int) else 0)
