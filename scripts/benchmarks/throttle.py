"""Holding a block device to a speed, by the kernel's block-I/O controller.

Source: the kernel's documentation, admin-guide/cgroup-v1/blkio-controller.rst ("Throttling/Upper
limit policy files") and admin-guide/cgroup-v2.rst ("io.max").

Version 1: limits count for the bios of one group only, and buffered writing that the kernel does
later is charged to the top group, whoever wrote. So the limits stand in the top group and what is
measured runs there: then reads, direct writes and late writes share one budget, as on a real
device. Version 2 charges late writes to who wrote them (ext4 supports that) but the top group
can't be limited, so a group of our own is made.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Sequence

from benchmarks.values import BenchError, Speed

__all__ = ["Throttle"]

_V1 = "/sys/fs/cgroup/blkio"
_V2 = "/sys/fs/cgroup"


class Throttle:
    """The group in which what is measured runs. Close it."""

    def __init__(self) -> None:
        self._made = ""
        if os.path.exists(f"{_V1}/blkio.throttle.read_bps_device"):
            self.version = 1
            self._group = _V1
        elif "io" in _read(f"{_V2}/cgroup.controllers").split():
            self.version = 2
            _write(f"{_V2}/cgroup.subtree_control", "+io +memory")
            self._group = self._made = f"{_V2}/ingest-bench-{os.getpid()}"
            os.mkdir(self._group)
        else:
            raise BenchError("this kernel offers no block-I/O controller to hold disks to a speed")

    def hold(self, device: str, speed: Speed) -> None:
        """Hold `device` ("7:3") to `speed` from now on; Speed() lets it run free."""
        if self.version == 1:
            # 0 takes the limit away.
            _write(f"{_V1}/blkio.throttle.read_bps_device", f"{device} {speed.read or 0}")
            _write(f"{_V1}/blkio.throttle.write_bps_device", f"{device} {speed.write or 0}")
        else:
            limits = f"{device} rbps={speed.read or 'max'} wbps={speed.write or 'max'}"
            _write(f"{self._group}/io.max", limits)

    def inside(self, command: Sequence[str]) -> list[str]:
        """`command`, run in the group."""
        join = f'echo $$ > "{self._group}/cgroup.procs" && exec "$@"'
        return ["sh", "-c", join, "sh", *command]

    def close(self) -> None:
        if not self._made:
            return
        for _ in range(50):
            # A group is busy for a moment after its last process has ended.
            with contextlib.suppress(OSError):
                os.rmdir(self._made)
                return
            time.sleep(0.1)


def _read(path: str) -> str:
    try:
        with open(path, encoding="ascii") as file:
            return file.read()
    except OSError:
        return ""


def _write(path: str, text: str) -> None:
    with open(path, "w", encoding="ascii") as file:
        file.write(text)
