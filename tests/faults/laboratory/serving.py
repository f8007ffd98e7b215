"""File systems of our own: a program that serves one, started, waited for, and taken away."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["served"]

_START_S = 60.0
_END_S = 60.0


@contextmanager
def served(program: str, mounted: Path, *words: str) -> Iterator[None]:
    """Run `program` (a file) with these words; it mounts itself at `mounted`. At the end its
    users must have gone; the kernel may take a while to let go of a loop device over it."""
    mounted.mkdir(parents=True, exist_ok=True)
    daemon = subprocess.Popen([sys.executable, program, *words])
    try:
        end = time.monotonic() + _START_S
        while not os.path.ismount(mounted) and time.monotonic() < end:
            assert daemon.poll() is None, f"{program} did not start"
            time.sleep(0.02)
        assert os.path.ismount(mounted), f"{program} did not come up"
        yield
    finally:
        end = time.monotonic() + _END_S
        while os.path.ismount(mounted) and time.monotonic() < end:
            if subprocess.run(["umount", mounted], capture_output=True).returncode != 0:
                time.sleep(0.05)
        with contextlib.suppress(subprocess.TimeoutExpired):
            daemon.wait(timeout=10)
        if daemon.poll() is None:
            daemon.kill()
            daemon.wait()
            subprocess.run(["umount", "--lazy", mounted], capture_output=True)
