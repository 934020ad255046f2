"""README.md and docs/*.md are run: every command in them, and every output compared.

How a block is marked says what happens to it:

* `sh`: commands, run here in a folder of their own that holds `samples` and `grammars`. Where a
  `text` block follows, it is what they print, standard error too; a line `...` stands for any
  number of lines.
* `pycon`: typed at the Python prompt, run here as a doctest.
* `bash`: what sets a machine up. `.ci/run` runs these of the README, on a machine with nothing.
* `toml file=NAME`, or any other kind: written to that file before the commands that follow.
* anything else is only shown.

`MEMDIAG_WRITE_GOLDENS=1 python -m pytest tests/house/test_docs.py` writes outputs without `...`
anew.
"""

from __future__ import annotations

import doctest
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.pages import DOCS, ROOT, WRITE, Block, blocks

PAGES = [ROOT / "README.md", *sorted(DOCS.glob("*.md"))]
KINDS = {"sh", "pycon", "bash", "text", "toml", "lark", "python", "json", "ebnf"}


def told(page: list[Block]) -> Iterator[tuple[Block, Block | None]]:
    """Each block with the output that is said to follow from it."""
    for number, block in enumerate(page):
        then = page[number + 1] if number + 1 < len(page) else None
        follows = then is not None and then.kind == "text" and not then.file
        yield block, then if follows and not block.after.strip() else None


def alike(said: str, printed: str) -> bool:
    """Whether what is printed is what is said; `...` on a line of its own is any lines."""
    pattern = "".join(
        "(?:.*\n)*?" if line == "...\n" else re.escape(line) for line in said.splitlines(True)
    )
    return re.fullmatch(pattern, printed) is not None


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """As a checkout, with room for files of one's own; `memdiag` and `python3` are commands."""
    here, tools = tmp_path / "here", tmp_path / "tools"
    here.mkdir()
    tools.mkdir()
    for name in ("samples", "grammars"):
        (here / name).symlink_to(ROOT / name)
    for name, starts in (("memdiag", "-m memdiag"), ("python3", "")):
        script = f'#!/bin/sh\nexec "{sys.executable}" {starts} "$@"\n'
        (tools / name).write_text(script, encoding="utf-8")
        (tools / name).chmod(0o755)
    return here


def run(commands: str, folder: Path) -> str:
    env = os.environ | {
        "PATH": f"{folder.parent / 'tools'}{os.pathsep}{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
        "LC_ALL": "C.UTF-8",
        "XDG_DATA_HOME": str(folder.parent / "data"),  # each page has a ledger of its own
    }
    done = subprocess.run(
        ["bash", "-c", commands],
        cwd=folder,
        env=env,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    assert "Traceback" not in done.stdout, done.stdout
    return done.stdout


@pytest.mark.skipif(shutil.which("bash") is None, reason="the pages are for a Unix shell")
@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_the_page_can_be_followed_word_for_word(
    path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = path.read_text(encoding="utf-8")
    anew: list[tuple[Block, str]] = []
    monkeypatch.chdir(folder)
    for block, said in told(blocks(page)):
        where = f"{path.name}, line {block.line}"
        assert block.kind in KINDS, f"{where}: what is a block marked {block.kind!r}?"
        if block.file:
            (folder / block.file).write_text(block.text, encoding="utf-8")
        elif block.kind == "sh":
            printed = run(block.text, folder)
            if said is None:
                continue
            if WRITE and "...\n" not in said.text.splitlines(True):
                anew.append((said, printed))
            else:
                assert alike(said.text, printed), f"{where} prints:\n{printed}"
        elif block.kind == "pycon":
            test = doctest.DocTestParser().get_doctest(block.text, {}, where, str(path), block.line)
            report: list[str] = []
            runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS)
            assert not runner.run(test, out=report.append).failed, "".join(report)
    for said, printed in reversed(anew):
        page = page[: said.start] + printed + page[said.start + len(said.text) :]
    if anew:
        path.write_text(page, encoding="utf-8", newline="\n")


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_every_block_of_a_page_ends(path: Path) -> None:
    """One that does not swallows the rest of the page, and is not run."""
    page = path.read_text(encoding="utf-8")
    fences = [number for number, line in enumerate(page.splitlines()) if "```" in line]
    assert len(fences) == 2 * len(blocks(page))


def test_the_readme_sets_up_with_two_commands() -> None:
    """One command runs the main job on a sample, one passes the tests: `.ci/run` runs both."""
    setting_up = [b.text for b in blocks(PAGES[0].read_text(encoding="utf-8")) if b.kind == "bash"]
    first, second = (text.strip() for text in setting_up)
    assert "\n" not in first + second
    assert "memdiag verdict samples/missing-package.dump" in first
    assert "-m pytest" in second


def test_the_job_stands_first_in_the_readme() -> None:
    title, blank, first, *_ = PAGES[0].read_text(encoding="utf-8").splitlines()
    assert title == "# memdiag" and blank == ""
    assert len(first) > 20 and not first.startswith(("#", "!", "[", "`"))


# ---- what pages name is there ----

NAMED = [*PAGES, ROOT / "DEVELOPERS.md"]
_PATH = re.compile(r"\b(?:memdiag|tests|docs|samples|grammars|\.ci)/[\w./*-]*[\w*]")


@pytest.mark.parametrize("path", NAMED, ids=lambda path: path.name)
def test_every_file_that_a_page_names_exists(path: Path) -> None:
    page = path.read_text(encoding="utf-8")
    for name in set(_PATH.findall(page)):
        if "NAME" in name:
            continue  # any name
        assert list(ROOT.glob(name.rstrip("."))), f"{path.name} names {name}"
    for link in re.findall(r"\]\((?!https?:|#)([^)#]+)", page):
        assert (path.parent / link).exists(), f"{path.name} links to {link}"


def test_every_page_that_the_code_names_exists() -> None:
    """Messages and docstrings send people to pages."""
    files = [*(ROOT / "memdiag").rglob("*.py"), *(ROOT / "grammars").glob("*")]
    assert len(files) > 90
    for path in files:
        for name in re.findall(r"docs/[\w/-]+\.\w+(?:\.\w+)*", path.read_text(encoding="utf-8")):
            assert (ROOT / name.rstrip(".")).exists(), f"{path.relative_to(ROOT)} names {name}"


def test_the_readme_is_no_book() -> None:
    """What does not fit stands in docs/, and the index of docs/ names every page of it."""
    assert len(PAGES[0].read_text(encoding="utf-8").splitlines()) <= 120
    index = (DOCS / "index.md").read_text(encoding="utf-8")
    named = re.findall(r"^- \[[^]]+\]\(([^)]+)\)", index, re.MULTILINE)
    assert sorted(["index.md", *named]) == sorted(page.name for page in PAGES[1:])


def test_every_command_is_in_the_readme() -> None:
    from memdiag.cli.main import _COMMANDS

    page = PAGES[0].read_text(encoding="utf-8")
    for name in _COMMANDS:
        assert f"memdiag {name}" in page


@pytest.mark.parametrize(
    ("said", "printed", "same"),
    [
        ("a\nb\n", "a\nb\n", True),
        ("a\n", "a\nb\n", False),
        ("a\n...\n", "a\nb\nc\n", True),
        ("a\n...\nc\n", "a\nc\n", True),
        ("...\nb\n", "a\nc\n", False),
        ("a.c\n", "abc\n", False),
    ],
)
def test_outputs_are_compared_line_by_line(said: str, printed: str, same: bool) -> None:
    assert alike(said, printed) is same
