"""One system call fails: the compiled library, and runs of the program that have it loaded.

A warm process imports the program once and forks for each run, before it has any thread, so
that a run costs no start-up. What fails is named by a key; see failing.c.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from laboratory.intake import HANG_S, HOME, Done
from laboratory.loops import need, run

__all__ = ["ACTIONS", "COUNTED", "DIE", "Failure", "Key", "Warm", "build"]

SHORT, NOTHING, DIE = -1, -2, -3

ACTIONS: Mapping[str, int] = {
    "EIO": errno.EIO,
    "ENOSPC": errno.ENOSPC,
    "EROFS": errno.EROFS,
    "short": SHORT,
    "nothing": NOTHING,
    "die": DIE,
}
"""What can happen to a call, by the name it is reported under."""

COUNTED = frozenset({"read", "write", "pread", "pwrite", "preadv"})
"""Calls that return a count, which may be short."""


def build(folder: Path) -> Path:
    """Compile the library; without a compiler the test is skipped with that reason."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        need("no C compiler on this machine")
    library = folder / "failing.so"
    source = Path(__file__).with_name("failing.c")
    run(compiler, "-shared", "-fPIC", "-O1", "-Wall", "-Wextra", "-Werror", "-o", library, source)
    return library


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """One system call of a run: on which drive, which call, on what, for the k-th time."""

    drive: str
    call: str
    path: str
    time: int

    @classmethod
    def parse(cls, line: str) -> Key:
        drive, call, rest = line.split("|", 2)
        path, _, count = rest.rpartition("|")
        return cls(drive, call, path, int(count))

    def __str__(self) -> str:
        return f"{self.drive}|{self.call}|{self.path}|{self.time}"


@dataclass(frozen=True, slots=True, order=True)
class Failure:
    """What goes wrong in one run."""

    key: Key
    action: str
    forever: bool

    def __str__(self) -> str:
        return f"{self.action}{' for ever' if self.forever else ''} at {self.key}"


class Warm:
    """The warm process. Close it."""

    def __init__(self, library: Path, folder: Path) -> None:
        self._folder = folder
        here = str(Path(__file__).parents[1])
        serving = (
            f"import sys; sys.path.insert(0, {here!r}); "
            f"from laboratory.failing import serve; serve({str(library)!r})"
        )
        self._process = subprocess.Popen(
            [sys.executable, "-c", serving],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=HOME,
            env={**os.environ, "LD_PRELOAD": str(library)},
        )

    def close(self) -> None:
        with self._process:  # closes the pipes, on which the warm process ends, and waits for it
            pass

    def run(
        self,
        words: Sequence[str],
        catalog: Path,
        watch: Mapping[str, Path],
        failure: Failure | None = None,
        log: Path | None = None,
    ) -> tuple[Done, int]:
        """Run the program; how it ended, and how often the failure struck."""
        out, err = self._folder / "out", self._folder / "err"
        order = {
            "words": list(words),
            "catalog": str(catalog),
            "watch": ":".join(f"{label}={folder}" for label, folder in watch.items()),
            "key": str(failure.key) if failure else "",
            "action": ACTIONS[failure.action] if failure else 0,
            "forever": failure.forever if failure else False,
            "log": str(log) if log else "",
            "out": str(out),
            "err": str(err),
            "hits": str(self._folder / "hits"),
        }
        assert self._process.stdin is not None and self._process.stdout is not None
        (self._folder / "hits").write_text("0")
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        ready, _, _ = select.select([self._process.stdout], [], [], HANG_S + 30)
        assert ready, "the warm process hangs"
        code = int(self._process.stdout.readline())
        done = Done(code, out.read_text(), err.read_text())
        return done, int((self._folder / "hits").read_text() or "0")


def serve(library: str) -> None:
    """The warm process's loop: an order a line on standard input, an exit code a line back."""
    import tempfile

    import ingest.catalog.catalog
    import ingest.cli.main
    import ingest.cli.offload

    # A throw-away catalog, so that what is imported late is imported before the first fork.

    with tempfile.TemporaryDirectory() as folder:
        ingest.catalog.catalog.Catalog.open(f"{folder}/catalog").close()
    failing = ctypes.CDLL(library)
    for line in sys.stdin:
        order = json.loads(line)
        child = os.fork()
        if child == 0:
            _be_the_run(failing, order)
        print(_ended(child), flush=True)


def _ended(child: int) -> int:
    end = time.monotonic() + HANG_S
    while time.monotonic() < end:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return -1000


def _be_the_run(failing: ctypes.CDLL, order: Mapping[str, Any]) -> None:
    import ingest.cli.main

    for number, name in ((1, "out"), (2, "err")):
        fd = os.open(order[name], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(fd, number)
        os.close(fd)
    null = os.open(os.devnull, os.O_RDONLY)
    os.dup2(null, 0)
    os.environ["INGEST_CATALOG"] = order["catalog"]
    code = 1
    try:
        if order["log"]:
            failing.failing_log(os.fsencode(order["log"]))
        failing.failing_watch(os.fsencode(order["watch"]))
        failing.failing_arm(os.fsencode(order["key"]), order["action"], int(order["forever"]))
        try:
            code = ingest.cli.main.run(order["words"])
            sys.stdout.flush()
        finally:
            failing.failing_watch(b"")
            with open(order["hits"], "w") as file:
                file.write(str(failing.failing_hits()))
    except BaseException:
        import traceback

        traceback.print_exc()
        sys.stderr.flush()
        code = 1
    finally:
        os._exit(code)
