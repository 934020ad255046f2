"""Coverage-guided fuzzing: `python -m tests.fuzz.harness reader -max_total_time=60 CORPUS`.

The first word says of what: `reader`, or one of tests.fuzz.files (`profile`, `shop`, `grammar`,
`entry`). Needs atheris (the `fuzz` extra). The flags are libFuzzer's; CORPUS is a folder that
grows. What it finds belongs in tests/fuzz/finds/, where the ordinary test run replays it: its name
begins with what was fuzzed.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["memdiag", "lark", "tomllib"]):
    from memdiag.boards import profile_checks, profile_sites  # noqa: F401
    from memdiag.model import problems
    from memdiag.model.problems import layouts, pastes, reading, runs
    from memdiag.reading import checks  # noqa: F401
    from memdiag.reading.columnar import blocks, typed_rows  # noqa: F401
    from tests.fuzz.files import TARGETS
    from tests.fuzz.one import one


def seeds() -> Iterator[bytes]:
    """Inputs to start from: those that provoke each problem, and the samples."""
    from memdiag.resources import shipped

    for kinds in (reading.KINDS, pastes.KINDS, runs.KINDS, layouts.KINDS):
        for kind in kinds.values():
            if kind.via == "dump":
                for text in kind.provoked_by:
                    yield b"\0" + (text if isinstance(text, bytes) else text.encode())
    for path in sorted(shipped("samples").glob("*.dump")):
        yield b"\0" + path.read_bytes()[:4000]


def main() -> None:
    problems.catalogue()
    ask, begin = {"reader": (one, seeds), **TARGETS}[sys.argv.pop(1)]
    corpus = [Path(a) for a in sys.argv[1:] if not a.startswith("-")]
    if corpus:
        corpus[0].mkdir(parents=True, exist_ok=True)
        for i, seed in enumerate(begin()):
            (corpus[0] / f"seed-{i}").write_bytes(seed)
    atheris.Setup(sys.argv, ask)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
