"""Runs of the program without its start-up: a warm process forks for each, before any thread.

python warm.py          (an order a line on standard input, an exit code a line back)
"""

from __future__ import annotations

import importlib
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from laboratory.intake import Done, Intake

__all__ = ["Warm", "warm"]

_HANG_S = 180.0


class Warm:
    """Runs intakes one after the other."""

    def __init__(self, process: subprocess.Popen[str], folder: Path) -> None:
        self._process = process
        self._folder = folder

    def run(self, intake: Intake) -> Done:
        """Run the offload; how it ended."""
        from laboratory.intake import Done

        order = {
            "words": intake.words,
            "catalog": str(intake.catalog),
            "out": str(self._folder / "out"),
            "err": str(self._folder / "err"),
        }
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        ready, _, _ = select.select([self._process.stdout], [], [], _HANG_S + 30)
        assert ready, "the warm process hangs"
        code = int(self._process.stdout.readline())
        return Done(code, Path(order["out"]).read_text(), Path(order["err"]).read_text())


@contextmanager
def warm() -> Iterator[Warm]:
    """A warm process, gone at the end."""
    from laboratory.intake import HOME

    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=HOME,
            env={**os.environ, "PYTHONPATH": str(HOME)},
        ) as process,
    ):
        yield Warm(process, Path(folder))


def _serve() -> None:
    for name in ("ingest.cli.offload", "ingest.jobs.offloading.running", "alembic.command"):
        importlib.import_module(name)
    catalogs = importlib.import_module("ingest.catalog.catalog")
    # What is imported only when a catalog is made is imported here.
    with tempfile.TemporaryDirectory() as folder:
        catalogs.Catalog.open(f"{folder}/catalog").close()
    for line in sys.stdin:
        order = json.loads(line)
        child = os.fork()
        if child == 0:
            _be_the_run(order)
        print(_ended(child), flush=True)


def _ended(child: int) -> int:
    end = time.monotonic() + _HANG_S
    while time.monotonic() < end:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return -1000


def _be_the_run(order: dict[str, str]) -> None:
    from ingest.cli.main import run

    code = 1
    try:
        for number, name in ((1, "out"), (2, "err")):
            fd = os.open(order[name], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            os.dup2(fd, number)
            os.close(fd)
        null = os.open(os.devnull, os.O_RDONLY)
        os.dup2(null, 0)
        sys.stdin = os.fdopen(0)
        os.environ["INGEST_CATALOG"] = order["catalog"]
        code = run(list(order["words"]))
        sys.stdout.flush()
        sys.stderr.flush()
    except BaseException:
        import traceback

        traceback.print_exc()
        sys.stderr.flush()
        code = 1
    finally:
        os._exit(code)


if __name__ == "__main__":
    _serve()
