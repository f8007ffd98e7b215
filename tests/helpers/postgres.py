"""A PostgreSQL server of our own for the tests: a cluster in a temporary folder, reached by a
socket in it alone, gone when the tests are. Nothing of it is kept through a crash (fsync off)."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import NoReturn

import pytest

__all__ = ["Server", "server"]

_SETTINGS = (
    "-c listen_addresses= -c fsync=off -c full_page_writes=off -c shared_buffers=32MB "
    "-c wal_level=minimal -c max_wal_senders=0 -c max_wal_size=64MB"
)


@dataclass(frozen=True, slots=True)
class Server:
    folder: Path
    user: str
    numbers: Iterator[int] = field(default_factory=lambda: count(1))

    def new(self) -> str:
        """The URL of a place of its own, empty: a schema, since a database of its own for each test
        would be many megabytes."""
        import psycopg

        name = f"test_{next(self.numbers)}"
        place = f"host={self.folder} user={self.user} dbname=postgres"
        with psycopg.connect(place, autocommit=True) as connection:
            connection.execute(f"CREATE SCHEMA {name}")
        options = f"host={self.folder}&options=-csearch_path%3D{name}"
        return f"postgresql+psycopg://{self.user}@/postgres?{options}"


@contextmanager
def server() -> Iterator[Server]:
    """Started for the block. Skips where PostgreSQL isn't installed; in CI as root that fails."""
    pytest.importorskip("psycopg", reason="psycopg is not installed")
    programs = _programs()
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir=memory))
    root = os.geteuid() == 0
    user = "postgres" if root else "tester"
    # The server refuses to run as root; Debian's package brings a user for it.
    as_user = ["setpriv", "--reuid", user, "--regid", user, "--clear-groups"] if root else []
    if root:
        shutil.chown(folder, user, user)
    data = folder / "data"
    control = [*as_user, str(programs / "pg_ctl"), "-D", str(data), "-w", "-s"]
    try:
        cluster = ["-D", str(data), "-U", user, "-A", "trust", "-N"]
        # Whatever the language of who runs the tests.
        _run([*as_user, str(programs / "initdb"), *cluster, "-E", "UTF8", "--locale=C"])
        _run([*control, "-l", str(folder / "log"), "-o", f"-k {folder} {_SETTINGS}", "start"])
        try:
            yield Server(folder, user)
        finally:
            _run([*control, "-m", "immediate", "stop"])
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _programs() -> Path:
    """The folder with initdb: on the path, or where Debian keeps it."""
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).parent
    kept = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if kept:
        return kept[-1].parent
    return _need("PostgreSQL's initdb is not installed (Debian: postgresql)")


def _need(reason: str) -> NoReturn:
    if os.environ.get("CI") == "true" and os.geteuid() == 0:
        pytest.fail(reason)
    pytest.skip(reason)


def _run(command: list[str]) -> None:
    done = subprocess.run(
        command, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=120, cwd="/"
    )
    if done.returncode != 0:
        raise RuntimeError(f"{command}: {done.returncode}: {done.stderr or done.stdout}")
