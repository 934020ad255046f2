"""`memdiag completion`: what a shell needs to complete commands, options and files."""

from __future__ import annotations

import click
from click.shell_completion import ShellComplete, get_completion_class

from memdiag.cli import outlet

_SHELLS = ("bash", "zsh", "fish")


@click.command("completion")
@click.argument("shell", type=click.Choice(_SHELLS))
def command(shell: str) -> int:
    """Print the completion script of a SHELL.

    \b
    bash:  memdiag completion bash > ~/.local/share/bash-completion/completions/memdiag
    zsh:   memdiag completion zsh > a folder of $fpath, as _memdiag
    fish:  memdiag completion fish > ~/.config/fish/completions/memdiag.fish
    """
    from memdiag.cli.main import app

    found = get_completion_class(shell)
    assert found is not None
    # Not bash's own `source`, which starts a bash to see how old it is.
    outlet.say(ShellComplete.source(found(app, {}, "memdiag", "_MEMDIAG_COMPLETE")))
    return 0
