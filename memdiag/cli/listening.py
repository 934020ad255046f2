"""What the commands that listen to a console have in common: the source, and where it is kept."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from memdiag.bench.capture import Capture
    from memdiag.bench.capture_files import Kept
    from memdiag.bench.capture_lines import Known
    from memdiag.bench.capture_sources import Source

FOLDER = "captures"
"""Where it is kept unless told otherwise."""
STALL = 30.0
"""Seconds of silence that end a dump, unless told otherwise."""


def capture(device: str, folder: str, layouts: tuple[Known, ...], stall: float) -> Capture:
    """A capture of `DEVICE[@BAUD]`, open and not started. Raises click.ClickException."""
    from memdiag.bench.capture import Capture, Limits

    source = _opened(device)
    return Capture(source, _kept(folder, source), layouts, Limits(stall))


def _opened(device: str) -> Source:
    from memdiag.bench import capture_sources as sources

    try:
        source = sources.source(device)
        source.open()
    except sources.SourceError as wrong:
        raise click.ClickException(wrong.problem.sentence()) from None
    except OSError as wrong:
        raise click.ClickException(sources.refused(device, wrong).sentence()) from None
    return source


def _kept(folder: str, source: Source) -> Kept:
    from memdiag.bench.capture_files import Kept
    from memdiag.model.problems import problem

    try:
        return Kept(Path(folder), source.stem, datetime.now(UTC))
    except OSError as wrong:
        source.close()
        reason = (wrong.strerror or str(wrong)).lower()
        raise click.ClickException(
            problem("capture-disk", file=folder, reason=reason).sentence()
        ) from None
