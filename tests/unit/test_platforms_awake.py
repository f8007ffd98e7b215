"""Keeping the machine from sleep, and asking for its battery.

The helpers are real processes: small scripts under the system's own names, which behave as
systemd-inhibit(1) and caffeinate(8) say. What the system itself does with them isn't shown.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from ingest.platforms.awake import awake, on_battery

if sys.platform == "win32":
    pytest.skip("the helpers are POSIX scripts", allow_module_level=True)

INHIBIT = r"""
    # Takes the lock, runs the command, ends when the command ends.
    for word in "$@"; do case "$word" in --*) ;; *) break ;; esac; shift; done
    echo $$ >"$NOTES/pid"
    exec 3<&0  # a shell gives what runs beside it no input, unless told
    "$@" <&3 &
    echo $! >"$NOTES/command"
    wait $!
    echo ended >"$NOTES/ended"
"""


class Tools:
    """Finds programs in a folder of the test's own; notes what they were given."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def make(self, name: str, text: str) -> None:
        path = self.folder / name
        path.write_text(
            f'#!/bin/sh\nNOTES="{self.folder}"\nprintf "%s\\n" "$@" >"$NOTES/words"\n'
            + textwrap.dedent(text)
        )
        path.chmod(0o755)

    def find(self, name: str) -> str | None:
        if name == "sh":
            return "/bin/sh"
        path = self.folder / name
        return str(path) if path.exists() else None

    def note(self, name: str) -> str:
        """What a helper noted, waited for."""
        for _ in range(500):
            if (self.folder / name).exists() and (text := (self.folder / name).read_text()):
                return text.strip()
            time.sleep(0.01)
        raise AssertionError(f"{name} was never noted")


@pytest.fixture
def tools(tmp_path: Path) -> Tools:
    return Tools(tmp_path)


def gone(pid: int) -> bool:
    """Has it ended? Its parent (perhaps the machine's first process) need not have noticed."""
    for _ in range(500):
        state = subprocess.run(["ps", "-o", "stat=", "-p", str(pid)], capture_output=True).stdout
        if not state.strip() or state.startswith(b"Z"):
            return True
        time.sleep(0.01)
    return False


def test_when_the_lock_is_taken_then_it_holds_until_the_block_is_left(tools: Tools) -> None:
    """Sleep and idle sleep are inhibited, the reason is given, nothing stays behind."""
    tools.make("systemd-inhibit", INHIBIT)
    with awake("copying A017", platform="linux", find=tools.find) as state:
        assert state.holds()
        assert state.how == "systemd-inhibit"
        words = tools.note("words").splitlines()
        assert words[:4] == [
            "--what=sleep:idle",
            "--who=ingest",
            "--why=copying A017",
            "--mode=block",
        ]
        children = int(tools.note("pid")), int(tools.note("command"))
        assert state.holds()
        assert not (tools.folder / "ended").exists()
    assert all(gone(child) for child in children)
    assert not state.holds()


def test_when_the_system_refuses_the_lock_then_the_work_runs_and_it_is_said(tools: Tools) -> None:
    """No D-Bus, no logind, no permission: systemd-inhibit fails and never runs the command."""
    tools.make("systemd-inhibit", "echo 'Failed to connect to bus' >&2; exit 1")
    with awake("copying", platform="linux", find=tools.find) as state:
        assert not state.holds()


def test_when_the_lock_comes_late_then_it_holds_from_then_on(
    tools: Tools, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slow answer is not taken for a refusal."""
    wait = 'while [ ! -e "$NOTES/go" ]; do sleep 0.02; done'
    tools.make("systemd-inhibit", wait + INHIBIT)
    monkeypatch.setattr("ingest.platforms.awake._SECONDS", 0.05)
    with awake("copying", platform="linux", find=tools.find) as state:
        assert not state.holds()
        (tools.folder / "go").touch()
        monkeypatch.setattr("ingest.platforms.awake._SECONDS", 30.0)
        assert state.holds()
        monkeypatch.setattr("ingest.platforms.awake._SECONDS", 2.0)


@pytest.mark.parametrize("platform", ["linux", "darwin", "freebsd14"])
def test_when_there_is_no_helper_then_the_work_runs_and_it_is_said(
    tools: Tools, platform: str
) -> None:
    """Nothing where there is nothing."""
    with awake("copying", platform=platform, find=tools.find) as state:
        assert not state.holds()
        assert state.how.startswith("no ")


@pytest.mark.parametrize("platform", ["linux", "darwin"])
def test_when_the_helper_can_t_be_started_then_the_work_runs_and_it_is_said(
    tools: Tools, platform: str
) -> None:
    """A file that is no program."""
    with awake("x", platform=platform, find=lambda _: str(tools.folder)) as state:
        assert not state.holds()
        assert "can't be started" in state.how


def test_when_the_work_fails_then_its_error_comes_through_and_no_helper_stays(
    tools: Tools,
) -> None:
    """The block's own error is the one that counts."""
    tools.make("systemd-inhibit", INHIBIT)
    with (
        pytest.raises(KeyError, match="the work"),
        awake("copying", platform="linux", find=tools.find) as state,
    ):
        assert state.holds()
        raise KeyError("the work")
    assert gone(int(tools.note("pid")))


def test_when_the_helper_ignores_the_request_to_end_then_it_is_ended_all_the_same(
    tools: Tools, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A helper that hangs holds up nobody."""
    monkeypatch.setattr("ingest.platforms.awake._SECONDS", 0.1)
    tools.make("systemd-inhibit", "trap '' TERM; echo $$ >$NOTES/pid; while :; do sleep 0.05; done")
    with awake("copying", platform="linux", find=tools.find) as state:
        pid = int(tools.note("pid"))
        assert not state.holds()
    assert gone(pid)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_when_this_process_is_killed_then_the_helper_ends_of_itself(
    tools: Tools, number: signal.Signals
) -> None:
    """The pipe between the two closes, however the one end dies."""
    tools.make("systemd-inhibit", INHIBIT)
    code = f"""
        import time
        from ingest.platforms.awake import awake
        find = lambda name: "/bin/sh" if name == "sh" else {str(tools.folder)!r} + "/" + name
        with awake("copying", platform="linux", find=find) as state:
            print(state.holds(), flush=True)
            time.sleep(60)
    """
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "True\n"
        assert not (tools.folder / "ended").exists()
        process.send_signal(number)
    assert gone(int(tools.note("command")))
    assert tools.note("ended") == "ended"


def test_when_it_is_a_mac_then_the_helper_is_tied_to_this_process(tools: Tools) -> None:
    """caffeinate(8): -i idle sleep, -m disks, -s on mains, -w until that process ends."""
    tools.make("caffeinate", "echo $$ >$NOTES/pid; exec sleep 60")
    with awake("copying", platform="darwin", find=tools.find) as state:
        pid = int(tools.note("pid"))
        assert state.holds()
        assert tools.note("words").split() == ["-i", "-m", "-s", "-w", str(os.getpid())]
    assert gone(pid)
    assert not state.holds()


class FakeKernel:
    """kernel32: SetThreadExecutionState gives the state before, or 0 when it failed."""

    def __init__(self, answer: int, line: int | None = None) -> None:
        self.answer = answer
        self.line = line
        self.asked: list[int] = []

    def SetThreadExecutionState(self, flags: int) -> int:  # noqa: N802
        self.asked.append(flags)
        return self.answer

    def GetSystemPowerStatus(self, answer: Any) -> int:  # noqa: N802
        if self.line is None:
            return 0
        answer._obj[0] = self.line
        return 1


def test_when_it_is_windows_then_the_state_is_asked_for_and_given_back() -> None:
    """ES_CONTINUOUS 0x80000000 with ES_SYSTEM_REQUIRED 1; alone it takes the wish back."""
    kernel = FakeKernel(0x80000000)
    with awake("copying", platform="win32", kernel=lambda: kernel) as state:
        assert state.holds()
        assert kernel.asked == [0x80000001]
    assert kernel.asked == [0x80000001, 0x80000000]


def test_when_windows_refuses_then_the_work_runs_and_it_is_said() -> None:
    """0 means that it failed; and on another system there is no such call."""
    with awake("copying", platform="win32", kernel=lambda: FakeKernel(0)) as state:
        assert not state.holds()
    with awake("copying", platform="win32") as state:
        assert not state.holds()


# Battery ----------------------------------------------------------------------------------------

MAINS_ON, MAINS_OFF = {"type": "Mains", "online": "1"}, {"type": "Mains", "online": "0"}
USB_ON, USB_OFF = {"type": "USB", "online": "1"}, {"type": "USB", "online": "0"}


def battery(status: str, **more: str) -> dict[str, str]:
    return {"type": "Battery", "status": status, **more}


@pytest.mark.parametrize(
    ("supplies", "expected"),
    [
        pytest.param([], None, id="none"),
        pytest.param([MAINS_ON], False, id="a desktop"),
        pytest.param([MAINS_ON, battery("Charging")], False, id="on mains"),
        pytest.param([MAINS_ON, battery("Discharging")], False, id="on mains, not charging"),
        pytest.param([MAINS_OFF, battery("Discharging")], True, id="on battery"),
        pytest.param([MAINS_OFF, battery("Unknown")], True, id="unplugged"),
        pytest.param([MAINS_OFF, USB_ON, battery("Charging")], False, id="powered by USB"),
        pytest.param([USB_OFF, battery("Discharging")], True, id="USB unplugged"),
        pytest.param([battery("Discharging")], True, id="only a battery"),
        pytest.param([battery("Full"), battery("Discharging")], True, id="two batteries"),
        pytest.param([battery("Full"), battery("Not charging")], False, id="full"),
        pytest.param([battery("Unknown")], None, id="not told"),
        pytest.param([battery("Discharging", scope="Device")], None, id="a mouse's"),
        pytest.param([{"type": "UPS"}], None, id="another kind"),
        pytest.param([{}], None, id="empty"),
    ],
)
def test_when_linux_lists_its_supplies_then_the_battery_is_in_use_or_not_or_unknown(
    tmp_path: Path, supplies: list[dict[str, str]], expected: bool | None
) -> None:
    """Documentation/ABI/testing/sysfs-class-power: type, status, online, scope."""
    for number, supply in enumerate(supplies):
        (tmp_path / f"supply{number}").mkdir()
        for name, text in supply.items():
            (tmp_path / f"supply{number}" / name).write_text(f"{text}\n")
    assert on_battery(platform="linux", supplies=str(tmp_path)) is expected


def test_when_linux_lists_no_supplies_at_all_then_nothing_is_known(tmp_path: Path) -> None:
    """A container, a virtual machine."""
    assert on_battery(platform="linux", supplies=str(tmp_path / "none")) is None


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (b"Now drawing from 'Battery Power'\n -InternalBattery-0 80%; discharging\n", True),
        (b"Now drawing from 'AC Power'\n -InternalBattery-0 'Battery Power'\n", False),
        (b"", None),
        (b"something else\n", None),
    ],
)
def test_when_a_mac_is_asked_then_its_first_line_decides(
    said: bytes, expected: bool | None
) -> None:
    """pmset(1), -g batt; wording from memory."""
    asked: list[Sequence[str]] = []

    def ask(command: Sequence[str]) -> bytes:
        asked.append(command)
        return said

    assert on_battery(platform="darwin", ask=ask) is expected
    assert asked == [("/usr/bin/pmset", "-g", "batt")]


@pytest.mark.parametrize(("line", "expected"), [(0, True), (1, False), (255, None), (None, None)])
def test_when_windows_is_asked_then_the_line_s_status_decides(
    line: int | None, expected: bool | None
) -> None:
    """ACLineStatus of SYSTEM_POWER_STATUS: 0 offline, 1 online, 255 unknown."""
    kernel: Callable[[], Any] = lambda: FakeKernel(0, line)  # noqa: E731
    assert on_battery(platform="win32", kernel=kernel) is expected
