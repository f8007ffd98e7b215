"""A real terminal with a person at it: types at the program, counts keys, reads the screen."""

from __future__ import annotations

import os
import re
import shutil
import stat
import sys
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pexpect

__all__ = ["Keyboard"]

_ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
_PROMPT = "desk> "

_PROGRAM = """#!{python}
# The program as it is, but for the drives of other tests on this machine: they are not plugged in.
import sys
sys.path.insert(0, {root!r})
from ingest import platforms
real = platforms.mounts
platforms.mounts = lambda: tuple(one for one in real() if one.point in {own!r})
from ingest.cli.main import entry
entry()
"""


class Keyboard:
    """A shell in a terminal of that size, in which `ingest` sees only the mounts `own`."""

    def __init__(
        self,
        desk: Path,
        own: Sequence[str],
        *,
        columns: int = 80,
        rows: int = 24,
        environment: dict[str, str] | None = None,
    ) -> None:
        shell = shutil.which("bash")
        assert shell is not None
        folder = desk / "bin"
        folder.mkdir(exist_ok=True)
        program = folder / "ingest"
        root = str(Path(__file__).resolve().parents[2])
        program.write_text(_PROGRAM.format(python=sys.executable, root=root, own=tuple(own)))
        program.chmod(program.stat().st_mode | stat.S_IXUSR)
        self.keys = 0
        self.decisions = 0
        """How often the program waited for an answer."""
        self._child = self._spawned(
            shell,
            ["--norc", "--noprofile"],
            cwd=str(desk),
            dimensions=(rows, columns),
            encoding="utf-8",
            timeout=120,
            env={
                **os.environ,
                "PATH": f"{folder}:{os.environ['PATH']}",
                "PS1": _PROMPT,
                "TERM": "xterm",
                "INGEST_CATALOG": str(desk / "catalog.sqlite3"),
                **(environment or {}),
            },
        )
        self._child.delaybeforesend = None
        # Asked for until it is there: the shell's own start may print before.
        self._child.expect_exact(_PROMPT)
        self._child.sendline("bind 'set enable-bracketed-paste off'")
        self._child.expect_exact(_PROMPT)

    @staticmethod
    def _spawned(*words: Any, **settings: Any) -> pexpect.spawn[str]:
        with warnings.catch_warnings():
            # Python warns of a fork beside threads; this child becomes the shell at once.
            warnings.filterwarnings("ignore", ".*fork.*", DeprecationWarning)
            return pexpect.spawn(*words, **settings)

    def type(self, text: str) -> None:
        """Press these keys, each counted; a newline is Enter."""
        self.keys += len(text)
        self._child.send(text.replace("\n", "\r"))

    def waits(self, question: str) -> str:
        """Until the program waits at this question; what it said before."""
        self._child.expect_exact(question)
        self.decisions += 1
        return self._clean(self._child.before or "")

    def ends(self) -> str:
        """Until the shell is back; what was said meanwhile."""
        self._child.expect_exact(_PROMPT)
        return self._clean(self._child.before or "")

    def leave(self) -> None:
        """Close the terminal, and see that the shell has gone."""
        self._child.close(force=True)

    @staticmethod
    def _clean(text: str) -> str:
        lines = _ESCAPE.sub("", text).replace("\r\n", "\n").split("\n")
        return "\n".join(line.rpartition("\r")[2].rstrip() for line in lines)
