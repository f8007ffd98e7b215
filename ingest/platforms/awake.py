"""Keep the machine from going to sleep while work runs, and ask whether it runs on battery.

Neither ever fails the work: a machine that can't be kept awake is told of, no more.

Sources: systemd-inhibit(1) and the inhibitor locks of logind; caffeinate(8) and pmset(1) of
macOS; SetThreadExecutionState and GetSystemPowerStatus of the Win32 reference; the kernel's
Documentation/ABI/testing/sysfs-class-power.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import IO, TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import subprocess

__all__ = ["Awake", "Kernel", "awake", "on_battery"]

_SECONDS = 2.0
"""How long a helper may take to say that it holds, or to end when told to."""

_ES_CONTINUOUS = 0x80000000
_ES_SYSTEM_REQUIRED = 0x00000001

_HELD = b"held\n"


class Kernel(Protocol):
    """The two calls of Windows' kernel32 that are made here."""

    def SetThreadExecutionState(self, flags: int) -> int: ...  # noqa: N802
    def GetSystemPowerStatus(self, answer: object) -> int: ...  # noqa: N802


class Awake:
    """What came of the wish to stay awake."""

    def __init__(self, how: str, asks: Callable[[], bool]) -> None:
        self.how = how
        """What was used (`systemd-inhibit`), or why nothing could be."""
        self._asks = asks

    def holds(self) -> bool:
        """Is the machine kept awake at this moment? Waits up to two seconds for a slow helper."""
        try:
            return self._asks()
        except (OSError, ValueError):
            return False


@contextlib.contextmanager
def awake(
    reason: str,
    *,
    platform: str = sys.platform,
    find: Callable[[str], str | None] | None = None,
    kernel: Callable[[], Kernel] | None = None,
) -> Iterator[Awake]:
    """Keep the machine from sleeping until the block is left. Never raises of itself.

    `reason` is shown by the system to who asks what keeps it awake; it must hold no name that
    somebody else chose. A helper process is ended on leaving, and ends of itself when this
    process dies in whatever way. Enter and leave in one thread, and not one within another:
    Windows keeps one word a thread.

    `platform`, `find` (a program's path by its name) and `kernel` stand in for the machine's own
    in tests.
    """
    if platform == "win32":
        with _execution_state(kernel or _kernel32) as state:
            yield state
        return
    if find is None:
        import shutil

        find = shutil.which
    name, command = _command(platform, reason, find)
    if command is None:
        yield Awake(f"no {name} on this machine", lambda: False)
        return
    child = _start(command)
    if child is None:
        yield Awake(f"{name} can't be started", lambda: False)
        return
    try:
        if platform == "darwin":
            yield Awake(name, lambda: child.poll() is None)
        else:
            yield Awake(name, _Answer(child).holds)
    finally:
        _end(child)


def _command(
    platform: str, reason: str, find: Callable[[str], str | None]
) -> tuple[str, Sequence[str] | None]:
    if platform == "darwin":
        found = find("caffeinate")
        # No idle sleep, no sleep of disks, and on mains no sleep at all, while we live.
        if found is None:
            return "caffeinate", None
        return "caffeinate", [found, "-i", "-m", "-s", "-w", str(os.getpid())]
    found, shell = find("systemd-inhibit"), find("sh")
    if found is None or shell is None:
        return "systemd-inhibit", None
    # The shell runs only once the lock is held. Then it waits for our end of the pipe to close,
    # which happens however this process ends.
    return "systemd-inhibit", [
        found,
        "--what=sleep:idle",
        "--who=ingest",
        f"--why={reason}",
        "--mode=block",
        shell,
        "-c",
        "echo held; read -r end; exit 0",
    ]


def _start(command: Sequence[str]) -> subprocess.Popen[bytes] | None:
    import subprocess

    try:
        # A session of its own: Ctrl-C is for us, and no password is asked for at the terminal.
        return subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except (OSError, ValueError, subprocess.SubprocessError):
        return None


class _Answer:
    """What the helper said. One that is slow is asked again the next time."""

    def __init__(self, child: subprocess.Popen[bytes]) -> None:
        self._child = child
        self._said: bytes | None = None

    def holds(self) -> bool:
        if self._said is None:
            self._said = self._wait(self._child.stdout)
        return self._said == _HELD and self._child.poll() is None

    @staticmethod
    def _wait(stdout: IO[bytes] | None) -> bytes | None:
        import select

        if stdout is None:
            return b""
        ready, _, _ = select.select([stdout], [], [], _SECONDS)
        return os.read(stdout.fileno(), len(_HELD)) if ready else None


def _end(child: subprocess.Popen[bytes]) -> None:
    """End a helper with all that it started, and wait for it."""
    import signal
    import subprocess

    for pipe in (child.stdin, child.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()
    if sys.platform != "win32":  # there no helper is started
        for number in (signal.SIGTERM, signal.SIGKILL):
            with contextlib.suppress(OSError):
                os.killpg(child.pid, number)
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.wait(_SECONDS)
                break


@contextlib.contextmanager
def _execution_state(kernel: Callable[[], Kernel]) -> Iterator[Awake]:
    try:
        call = kernel().SetThreadExecutionState
        held = bool(call(_ES_CONTINUOUS | _ES_SYSTEM_REQUIRED))
    except (OSError, AttributeError):
        yield Awake("SetThreadExecutionState can't be called", lambda: False)
        return
    try:
        yield Awake("SetThreadExecutionState", lambda: held)
    finally:
        with contextlib.suppress(OSError):
            call(_ES_CONTINUOUS)


def _kernel32() -> Kernel:
    from ingest.platforms.windows_calls import calls

    found: Kernel = calls().kernel32
    return found


# Power ------------------------------------------------------------------------------------------


def on_battery(
    *,
    platform: str = sys.platform,
    supplies: str = "/sys/class/power_supply",
    ask: Callable[[Sequence[str]], bytes] | None = None,
    kernel: Callable[[], Kernel] | None = None,
) -> bool | None:
    """Does the machine run on its battery? None when it has none or doesn't say.

    The other parameters stand in for the machine's own in tests.
    """
    if platform == "win32":
        return _power_status(kernel or _kernel32)
    if platform == "darwin":
        from ingest.platforms.macos_disks import run

        first = (ask or run)(("/usr/bin/pmset", "-g", "batt")).partition(b"\n")[0]
        return True if b"'Battery Power'" in first else False if b"'AC Power'" in first else None
    return _supplies(supplies)


def _supplies(folder: str) -> bool | None:
    try:
        names = sorted(os.listdir(folder))
    except OSError:
        return None
    mains: list[bool] = []
    batteries: list[str] = []
    for name in names:
        kind, scope = _told(folder, name, "type"), _told(folder, name, "scope")
        if scope == "Device":
            continue  # the battery of a mouse or a headset
        if kind == "Battery":
            batteries.append(_told(folder, name, "status"))
        elif kind == "Mains" or kind.startswith("USB"):
            online = _told(folder, name, "online")
            if online in ("0", "1", "2"):
                mains.append(online != "0")
    if any(mains):
        return False
    if not batteries:
        return None
    if "Discharging" in batteries:
        return True
    if set(batteries) <= {"Charging", "Full", "Not charging"}:
        return False
    return True if mains else None


def _told(folder: str, supply: str, name: str) -> str:
    try:
        with open(os.path.join(folder, supply, name), encoding="utf-8", errors="replace") as file:
            return file.read().strip()
    except OSError:
        return ""


def _power_status(kernel: Callable[[], Kernel]) -> bool | None:
    import ctypes

    # SYSTEM_POWER_STATUS: four bytes and two DWORDs; the first byte is ACLineStatus.
    answer = (ctypes.c_ubyte * 12)()
    try:
        if not kernel().GetSystemPowerStatus(ctypes.byref(answer)):
            return None
    except (OSError, AttributeError):
        return None
    return {0: True, 1: False}.get(answer[0])
