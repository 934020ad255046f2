"""A PostgreSQL of the tests' own: in a temporary folder, on a socket, as an unprivileged user."""

from __future__ import annotations

import importlib.util
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any


def programs() -> Path | None:
    """The folder of Debian's newest initdb and postgres, or that of PATH; None where there is
    none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: p.parts[-3])
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else None


def lacking() -> str:
    """Why the tests of PostgreSQL cannot run; empty where they can."""
    if importlib.util.find_spec("psycopg") is None:
        return "no psycopg: pip install -e '.[ledger]'"
    return "" if programs() else "no PostgreSQL on this machine"


class Server:
    """One server. It refuses root, so under root it is run as a user without rights."""

    def __init__(self) -> None:
        found = programs()
        assert found is not None
        self._bin = found
        # Not below pytest's own folder, which other users may not enter.
        self.folder = Path(tempfile.mkdtemp(prefix="memdiag-pg-"))
        self._as: dict[str, Any] = {}
        if os.geteuid() == 0:
            other = _nobody()
            self._as = {"user": other.pw_uid, "group": other.pw_gid, "extra_groups": []}
            os.chown(self.folder, other.pw_uid, other.pw_gid)
        self._data = self.folder / "data"
        self._process: subprocess.Popen[bytes] | None = None
        # Nothing here needs to survive a power cut.
        words = [self._bin / "initdb", "-D", self._data, "-A", "trust", "-U", "bench", "--no-sync"]
        words += ["-E", "UTF8", "--locale", "C"]
        subprocess.run(words, check=True, capture_output=True, cwd=self.folder, **self._as)

    def url(self, database: str = "postgres") -> str:
        return f"postgresql://bench@/{database}?host={self.folder}"

    def start(self) -> Server:
        words: list[str | Path] = [self._bin / "postgres", "-D", self._data, "-k", self.folder]
        for setting in ("listen_addresses=", "fsync=off", "max_connections=60"):
            words += ["-c", setting]
        until = time.monotonic() + 40
        while time.monotonic() < until:
            self._process = subprocess.Popen(
                words,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                cwd=self.folder,
                **self._as,
            )
            while self._process.poll() is None and time.monotonic() < until:
                if self._answers():
                    return self
                time.sleep(0.05)
            time.sleep(0.1)  # what a killed one leaves is let go in a moment
        raise RuntimeError("PostgreSQL does not start")

    def _answers(self) -> bool:
        words = [self._bin / "pg_isready", "-q", "-h", self.folder]
        return subprocess.run(words, check=False).returncode == 0

    def database(self, name: str) -> str:
        """A new, empty database; its URL."""
        import psycopg

        with psycopg.connect(self.url(), autocommit=True) as connection:
            connection.execute(f'CREATE DATABASE "{name}"')  # type: ignore[call-overload]
        return self.url(name)

    def emptied(self) -> str:
        """The URL of the one database, without a ledger in it: quicker than a new one."""
        import psycopg

        with psycopg.connect(self.url(), autocommit=True) as connection:
            connection.execute("DROP SCHEMA IF EXISTS memdiag CASCADE")
        return self.url()

    def kill(self) -> None:
        """As the system does that has no memory left."""
        assert self._process is not None
        self._process.kill()
        self._process.wait()

    def stop(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGQUIT)  # at once: nothing is to be kept
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)


def _nobody() -> pwd.struct_passwd:
    try:
        return pwd.getpwnam("postgres")
    except KeyError:
        return pwd.getpwnam("nobody")
