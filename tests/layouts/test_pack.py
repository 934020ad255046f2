"""A kept grammar: plain data that is believed only where it is whole, the user's own, and sound."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.layouts import pack
from memdiag.layouts.grammar_compile import compile_pack
from tests.layouts.test_grammars import SHOP
from tests.support.marks import examples


@cache
def made() -> pack.Pack:
    return compile_pack(SHOP, "shelf")


def kept_pack(folder: Path) -> tuple[Path, str]:
    """A cache folder with the pack of a grammar, and its key."""
    folder.mkdir(mode=0o700)
    key = pack.key(SHOP.encode())
    pack.keep(folder, key, made())
    (file,) = folder.iterdir()
    return file, key


def test_a_kept_pack_is_what_was_compiled(tmp_path: Path) -> None:
    file, key = kept_pack(tmp_path / "cache")
    assert pack.kept(file.parent, key) == made()
    assert file.stat().st_mode & 0o777 == 0o600


@given(st.data())
@settings(max_examples=examples(120), deadline=None)
def test_a_damaged_pack_is_never_believed(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Cut, zeroed, a bit turned, longer: it is thrown away."""
    file, key = kept_pack(tmp_path_factory.mktemp("packs") / "cache")
    good = file.read_bytes()
    at = int(data.draw(st.floats(0, 1, exclude_max=True)) * len(good))
    damage = data.draw(st.sampled_from(["cut", "zeroed", "turned", "longer", "empty"]))
    turned = bytes([good[at] ^ 1 << data.draw(st.integers(0, 7))])
    bad = {
        "cut": good[:at],
        "zeroed": bytes(len(good)),
        "turned": good[:at] + turned + good[at + 1 :],
        "longer": good + b" ",
        "empty": b"",
    }[damage]
    file.write_bytes(bad)
    assert pack.kept(file.parent, key) is None


@pytest.mark.parametrize(
    ("of", "mode"), [("file", 0o620), ("file", 0o602), ("folder", 0o770), ("folder", 0o703)]
)
def test_a_pack_that_others_can_write_to_is_not_believed(
    tmp_path: Path, of: str, mode: int
) -> None:
    file, key = kept_pack(tmp_path / "cache")
    assert pack.kept(file.parent, key) is not None
    (file if of == "file" else file.parent).chmod(mode)
    assert pack.kept(file.parent, key) is None


def test_a_pack_of_another_user_is_not_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file, key = kept_pack(tmp_path / "cache")
    monkeypatch.setattr(os, "geteuid", lambda: os.getuid() + 1)
    assert pack.kept(file.parent, key) is None


def test_a_pack_under_another_name_a_link_or_a_pipe_is_not_believed(tmp_path: Path) -> None:
    file, key = kept_pack(tmp_path / "cache")
    other = "0" * 64
    file.rename(file.with_name(f"{other}.layout"))
    assert pack.kept(file.parent, other) is None
    file.symlink_to(file.with_name(f"{other}.layout"))
    assert pack.kept(file.parent, key) is None
    file.unlink()
    os.mkfifo(file)
    assert pack.kept(file.parent, key) is None


def forged(file: Path, key: str, change: Callable[[dict[str, Any]], object]) -> None:
    """A pack with a right digest that says something else."""
    told = json.loads(file.read_bytes().partition(b"\n")[2])
    change(told)
    body = json.dumps(told).encode()
    file.write_bytes(pack._digest(key, body) + b"\n" + body)


@pytest.mark.parametrize(
    "change",
    [
        lambda told: told["tables"]["states"][0].update({"LANE": 9999}),
        lambda told: told["tables"]["states"][0].update({"LANE": -9999}),
        lambda told: told["tables"]["scanner_of"].__setitem__(0, 99),
        lambda told: told["tables"]["scanner_of"].pop(),
        lambda told: told["tables"]["begins"].update({told["starts"][0]["rule"]: -1}),
        lambda told: told["tables"]["begins"].clear(),
        lambda told: told["tables"]["productions"][0]["takes"].append([99, False, 0]),
        lambda told: told["tables"]["productions"][0].update({"gaps": 10**9}),
        lambda told: told["tables"]["terminals"][0].update({"pattern": "(a+)+$"}),
        lambda told: told["tables"]["terminals"][0].update({"pattern": "("}),
        lambda told: told["tables"]["terminals"][0].update({"name": "a>b"}),
        lambda told: told["starts"][0].update({"opening": ["NONE"]}),
        lambda told: told.update({"skips": ["NONE"]}),
        lambda told: told.pop("tables"),
        lambda told: told.update({"starts": 5}),
    ],
)
def test_a_forged_pack_is_followed_nowhere(
    tmp_path: Path, change: Callable[[dict[str, Any]], object]
) -> None:
    """Data that no grammar gives: whoever wrote it can at most make the grammar be compiled."""
    file, key = kept_pack(tmp_path / "cache")
    forged(file, key, lambda told: None)
    assert pack.kept(file.parent, key) is not None
    forged(file, key, change)
    assert pack.kept(file.parent, key) is None
