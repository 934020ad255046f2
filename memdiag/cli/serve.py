"""`memdiag serve`: the page on the bench PC, and the same over HTTP."""

from __future__ import annotations

import os
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import click

from memdiag.cli import common, listening, options, outlet
from memdiag.cli.options import Option

if TYPE_CHECKING:
    from memdiag.bench.capture import Capture
    from memdiag.bench.config import Bench

VARIABLE = "MEMDIAG_TOKEN"
_NEEDED = ("starlette", "uvicorn", "python_multipart", "pebble", "PIL")


@click.command("serve")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8414,
    show_default=True,
    help="The port to listen at; 0 for any that is free.",
)
@click.option("--no-browser", is_flag=True, help="Do not open the page in the browser.")
@options.ledger_option
@click.option(
    "--to",
    "folder",
    metavar="FOLDER",
    type=click.Path(),
    default="tickets",
    show_default=True,
    help="The folder that holds the tickets.",
)
@click.option(
    "--listen",
    "address",
    metavar="ADDRESS",
    help="Listen at this address of the PC, not at its loopback. Needs a token.",
)
@click.option(
    "--token-file",
    metavar="FILE",
    type=click.Path(),
    help=f"The access token that visitors must show (else {VARIABLE}).",
)
@click.option(
    "--console",
    "devices",
    metavar="DEVICE[@BAUD]",
    multiple=True,
    help="Listen to this console as `memdiag capture` does, on the page. May be given again.",
)
@click.option(
    "--keep",
    metavar="FOLDER",
    type=click.Path(),
    default=listening.FOLDER,
    show_default=True,
    help="Keep what consoles send here.",
)
@options.shop_option
def command(
    *,
    port: int,
    no_browser: bool,
    url: Option,
    folder: str,
    address: Option,
    token_file: Option,
    devices: tuple[str, ...],
    keep: str,
    shop: Option,
) -> int:
    """Serve the bench page: paste, see what is wrong, file it with its ticket.

    The page is at http://127.0.0.1:PORT/ and no other PC can reach it. With --listen it can be
    reached at that ADDRESS, by those who have the token. The same documents as on the command line
    are given over HTTP; /api/openapi.json describes them.
    """
    from memdiag.bench import config

    bench = config.Bench(
        Path(folder).absolute(),
        url,
        common.shop_settings(shop),
        _address(address),
        port,
        _token(token_file),
    )
    if address is not None and bench.token is None:
        raise click.UsageError(
            "--listen lets other PCs in, so it needs an access token: "
            f"--token-file FILE or {VARIABLE}"
        )
    _refuse_without_libraries()
    from memdiag.bench import server

    try:
        listener, bench = server.listening(bench)
    except OSError as wrong:
        reason = (wrong.strerror or str(wrong)).lower()
        raise click.ClickException(
            f"cannot listen at {bench.address} port {port}: {reason}; --port names another"
        ) from None
    captures = _captures(devices, keep)
    server.serve(bench, listener, lambda: _ready(bench, no_browser), captures)
    return 0


def _captures(devices: tuple[str, ...], folder: str) -> list[Capture]:
    """What is listened to. Raises click.ClickException where one cannot be."""
    from memdiag.bench.capture_lines import known

    layouts = known() if devices else ()
    return [listening.capture(device, folder, layouts, listening.STALL) for device in devices]


def _refuse_without_libraries() -> None:
    """Raises click.ClickException where one of the extra is not installed."""
    lacking = [name for name in _NEEDED if find_spec(name) is None]
    if lacking:
        raise click.ClickException(
            f"the bench page needs {', '.join(lacking)}, not installed here: "
            "pip install 'memdiag[bench]'"
        )


def _address(said: Option) -> str:
    """An address that a browser can be led to. Raises click.UsageError for a wildcard: the name in
    a request could not be held against it."""
    import ipaddress

    from memdiag.bench.config import LOOPBACK

    try:
        found = ipaddress.ip_address(said or LOOPBACK)
    except ValueError:
        raise click.UsageError(f"--listen wants an address of this PC, not {said}") from None
    if found.is_unspecified:
        raise click.UsageError(f"--listen {said} is every address: name the one that visitors use")
    return str(found)


def _token(file: Option) -> str | None:
    from memdiag.bench.config import LEAST_TOKEN

    if file is None:
        token = os.environ.get(VARIABLE)
    else:
        token = common.whole(file).decode("utf-8", "replace").strip()
    if token is not None and (len(token) < LEAST_TOKEN or not token.isprintable()):
        raise click.UsageError(f"an access token has {LEAST_TOKEN} printed characters at the least")
    return token


def _ready(bench: Bench, no_browser: bool) -> None:
    outlet.say(
        f"memdiag serves {bench.served} (tickets in {bench.folder}); Ctrl-C ends it", err=True
    )
    if not no_browser:
        import webbrowser

        webbrowser.open(bench.served)
