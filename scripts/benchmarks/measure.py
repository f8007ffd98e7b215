"""Running one command and saying what it took: time, processor time, memory."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence

from benchmarks.values import BenchError, Ran

__all__ = ["measured", "must"]

_EVERY = 0.1


def measured(
    command: Sequence[str], *, cwd: str | None = None, env: Mapping[str, str] | None = None
) -> Ran:
    """Run `command` to its end, with nothing to type into. Whatever happens here, it is ended."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        begun = time.monotonic()
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            cwd=cwd,
            env=dict(env) if env is not None else None,
        )
        memory = _Memory(process.pid)
        try:
            # wait4 and not Popen.wait: it tells the processor time of this command alone.
            _, status, usage = os.wait4(process.pid, 0)
            seconds = time.monotonic() - begun
            process.returncode = os.waitstatus_to_exitcode(status)
        except BaseException:
            with contextlib.suppress(ProcessLookupError):
                os.kill(process.pid, signal.SIGKILL)
            process.wait()
            raise
        finally:
            memory.end()
        out.seek(0)
        err.seek(0)
        return Ran(
            seconds=seconds,
            code=process.returncode,
            stdout=out.read().decode("utf-8", "replace"),
            stderr=err.read().decode("utf-8", "replace"),
            peak_main=memory.main or usage.ru_maxrss * 1024,
            peak_child=memory.child,
            cpu_seconds=usage.ru_utime + usage.ru_stime,
        )


def must(
    command: Sequence[str],
    *,
    cwd: str | None = None,
    env: Mapping[str, str] | None = None,
    well: Sequence[int] = (0,),
) -> Ran:
    """The same; raises BenchError when it ended with another code than those in `well`."""
    ran = measured(command, cwd=cwd, env=env)
    if ran.code not in well:
        told = (ran.stderr.strip() or ran.stdout.strip())[-2000:]
        raise BenchError(f"{' '.join(command[-12:])} ended with {ran.code}: {told}")
    return ran


class _Memory:
    """Looks at a process and those below it now and then.

    The kernel keeps each process's peak (VmHWM, proc(5)), so looking seldom loses little: only
    what is reached in the last moment before a process ends. ru_maxrss would not do: it takes in
    the process that called exec, and it does not tell parent from children.
    """

    def __init__(self, pid: int) -> None:
        self.main = 0
        self.child = 0
        self._pid = pid
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def end(self) -> None:
        self._ended.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._ended.is_set():
            self.main = max(self.main, _peak(self._pid))
            for below in _below(self._pid):
                self.child = max(self.child, _peak(below))
            self._ended.wait(_EVERY)


def _peak(pid: int) -> int:
    try:
        with open(f"/proc/{pid}/status", encoding="ascii", errors="replace") as status:
            for line in status:
                if line.startswith("VmHWM:"):
                    return int(line.split()[1]) * 1024
    except OSError:
        pass  # it has ended, or this is no Linux
    return 0


def _below(pid: int) -> Iterator[int]:
    try:
        threads = os.listdir(f"/proc/{pid}/task")
    except OSError:
        return
    for thread in threads:
        try:
            with open(f"/proc/{pid}/task/{thread}/children", encoding="ascii") as children:
                below = [int(child) for child in children.read().split()]
        except OSError:
            continue
        for child in below:
            yield child
            yield from _below(child)
