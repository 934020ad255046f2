"""What is handed to others: the wheel and the sdist, and what pip is asked to install with them.

Each guard here was broken once by hand to see it go red.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from collections import defaultdict
from email import message_from_bytes
from importlib.util import find_spec
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

import memdiag
from tests.support import schemas

ROOT = Path(__file__).resolve().parents[2]
CI = ROOT / ".ci"
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROJECT = PYPROJECT["project"]
CHANGES = (ROOT / "docs" / "CHANGELOG.md").read_text(encoding="utf-8")
EXTRAS = PROJECT["optional-dependencies"]
CORE = [Requirement(text) for text in PROJECT["dependencies"]]
FOR_USERS = [Requirement(text) for extra in ("ledger",) for text in EXTRAS[extra]]
BUILD = [Requirement(text) for text in PYPROJECT["build-system"]["requires"]]
_ALL = [*BUILD, *CORE, *(Requirement(text) for texts in EXTRAS.values() for text in texts)]
ALL = [need for need in _ALL if need.name != PROJECT["name"]]

only_in_a_checkout = pytest.mark.skipif(
    not CI.is_dir() and os.environ.get("CI") != "true", reason="an sdist has no .ci"
)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel and the sdist, made without a network."""
    if find_spec("hatchling") is None:
        pytest.skip("hatchling is not installed (extra: test)")
    folder = tmp_path_factory.mktemp("built")
    done = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-d", str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr  # unknown classifiers, say
    return folder


def wheel_files(built: Path) -> dict[str, bytes]:
    (path,) = built.glob("*.whl")
    with zipfile.ZipFile(path) as wheel:
        return {name: wheel.read(name) for name in wheel.namelist()}


def sdist_files(built: Path) -> dict[str, bytes]:
    """By their names below the folder that an sdist holds."""
    (path,) = built.glob("*.tar.gz")
    with tarfile.open(path) as sdist:
        opened = {member.name: sdist.extractfile(member) for member in sdist.getmembers()}
        return {n.partition("/")[2]: file.read() for n, file in opened.items() if file is not None}


def test_the_licence_travels_with_both(built: Path) -> None:
    """Where PEP 639 puts it, and named in the metadata of both."""
    text = (ROOT / "docs" / "LICENSE.md").read_bytes()
    assert b"without restriction" in text and b"WITHOUT WARRANTY OF ANY KIND" in text  # MIT's words
    wheel, sdist = wheel_files(built), sdist_files(built)
    (inside,) = [name for name in wheel if name.endswith(".dist-info/METADATA")]
    beside = inside.removesuffix("METADATA") + "licenses/docs/LICENSE.md"
    assert wheel[beside] == sdist["docs/LICENSE.md"] == text
    for metadata in (wheel[inside], sdist["PKG-INFO"]):
        told = message_from_bytes(metadata)
        assert told["License-Expression"] == "MIT"
        assert told.get_all("License-File") == ["docs/LICENSE.md"]


def test_the_types_travel_with_both(built: Path) -> None:
    """PEP 561: without the marker a checker takes nothing of ours for typed."""
    assert wheel_files(built)["memdiag/py.typed"] == sdist_files(built)["memdiag/py.typed"] == b""
    assert "Typing :: Typed" in PROJECT["classifiers"]


def test_the_classifiers_say_what_the_rest_says() -> None:
    said = PROJECT["classifiers"]
    (lowest,) = re.findall(r">=([\d.]+)", PROJECT["requires-python"])
    assert f"Programming Language :: Python :: {lowest}" in said
    assert not [each for each in said if each.startswith("License ::")]  # PEP 639: the expression


def test_a_version_has_one_name_everywhere(built: Path) -> None:
    """Semantic (semver.org, 2.0.0: three numbers without leading zeros), and told of as such."""
    version = memdiag.__version__
    assert re.fullmatch(r"(0|[1-9]\d*)(\.(0|[1-9]\d*)){2}", version)
    (inside,) = [n for n in wheel_files(built) if n.endswith(".dist-info/METADATA")]
    assert message_from_bytes(wheel_files(built)[inside])["Version"] == version
    newest, *older = re.findall(r"^## (\S+)$", CHANGES, re.MULTILINE)
    assert newest == version
    assert [newest, *older] == sorted([newest, *older], key=Version, reverse=True)


def test_the_newest_changes_state_the_formats_and_the_pythons() -> None:
    newest = re.split(r"^## .*$", CHANGES, flags=re.MULTILINE)[1]
    told = re.search(r"^\| documents \| (.*) \|$", newest, re.MULTILINE)
    assert told is not None
    named = re.findall(r"`(.*?)`", told[1])
    assert named == [schemas.published(name)["title"] for name in schemas.NAMES]
    tried = [c.rpartition(" ")[2] for c in PROJECT["classifiers"] if re.search(r":: 3\.\d+$", c)]
    assert f"| Python | {', '.join(tried)} |" in newest


@only_in_a_checkout
def test_the_lowest_versions_are_the_bounds() -> None:
    """What `.ci/run` hands to pip names each library of a user's install, and nothing else."""
    done = subprocess.run(
        [sys.executable, str(CI / "lowest.py")], capture_output=True, text=True, check=True
    )
    pinned = {name: Version(v) for name, v in (line.split("==") for line in done.stdout.split())}
    bounds = {each.name: each.specifier for each in (*BUILD, *CORE, *FOR_USERS)}
    assert pinned.keys() == bounds.keys()
    for name, bound in bounds.items():
        assert [(each.operator, Version(each.version)) for each in bound] == [(">=", pinned[name])]


# The first version without the advisory. Sources: the advisories of GitHub's database under these
# numbers, as pull requests that take the step quote them; * from memory.
ADVISORIES = {
    "CVE-2025-27516": ("jinja2", "3.1.6"),  # GHSA-cpwx-vrp4-4pq7
    "CVE-2026-7246": ("click", "8.3.3"),
    "CVE-2026-25087": ("pyarrow", "23.0.1"),  # GHSA-rgxp-2hwp-jwgg; not reached from Python
    "CVE-2023-47248": ("pyarrow", "14.0.1"),
    "CVE-2019-7164": ("sqlalchemy", "1.3.0"),
    "CVE-2021-34141": ("numpy", "1.22.0"),
    "CVE-2023-25399": ("scipy", "1.10.0"),  # *
}


@pytest.mark.parametrize("advisory", ADVISORIES)
def test_no_bound_allows_a_version_with_a_known_advisory(advisory: str) -> None:
    name, mended = ADVISORIES[advisory]
    (need,) = [each for each in (*CORE, *FOR_USERS) if each.name == name]
    (bound,) = need.specifier
    assert Version(bound.version) >= Version(mended)


# ---- the lock ----


def lock_text() -> str:
    return (CI / "lock.txt").read_text(encoding="utf-8")


def locked() -> dict[str, list[Version]]:
    """The versions of each library: one, or one for some Pythons and another for others."""
    found = defaultdict(list)
    for name, version in re.findall(r"^([\w.-]+)==(\S+)", lock_text(), re.MULTILINE):
        found[canonicalize_name(name)].append(Version(version))
    return found


@only_in_a_checkout
@pytest.mark.parametrize("need", ALL, ids=str)
def test_the_lock_holds_every_library_within_its_bound(need: Requirement) -> None:
    versions = locked().get(canonicalize_name(need.name))
    assert versions, "not in .ci/lock.txt: make it anew (DEVELOPERS.md)"
    assert all(need.specifier.contains(version) for version in versions)


@only_in_a_checkout
def test_the_lock_is_pins_with_hashes_and_names_no_host() -> None:
    logical = lock_text().replace("\\\n", " ").splitlines()
    pins = [line for line in logical if not line.startswith("#")]
    assert len(pins) > len(CORE)
    for line in pins:
        assert re.fullmatch(r"[\w.-]+==[\w.!+]+( ; [^#@/]+?)?( +--hash=sha256:[0-9a-f]{64})+", line)
    assert "://" not in lock_text()
