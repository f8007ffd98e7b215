"""The commands that are timed: ours, and what a user would otherwise type."""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass

from benchmarks import footage
from benchmarks.ground import Disk, Ground
from benchmarks.measure import must
from benchmarks.values import MB, BenchError, Ran, Speed

__all__ = ["Ours", "copied_and_summed", "copied_and_synced", "rsynced", "summer"]


@dataclass(frozen=True, slots=True)
class Ours:
    """`ingest` as an installed command, with a catalog of its own in `home`."""

    ground: Ground
    home: Disk
    catalog: str = "catalog"
    program: Sequence[str] = ()
    """What is run; empty: the installed command."""

    def ready(self, *, audit: bool = False) -> None:
        """Nothing of the footage is in the system's cache, but the program is: a tiny offload
        (and audit) is run after the cache was emptied. A machine in use has its programs in memory;
        how fast its own disk loads them is not what is measured here."""
        self.ground.cold()
        with tempfile.TemporaryDirectory(dir=self.home.root) as folder:
            tiny = [Disk(os.path.join(folder, name), Speed()) for name in ("card", "a", "b")]
            for disk in tiny:
                os.mkdir(disk.root)
            footage.clips(tiny[0].root, [MB])
            footage.stills(tiny[0].root, 1, 4 * MB)
            apart = Ours(self.ground, self.home, os.path.join(folder, "catalog"))
            apart.offload(tiny[:1], tiny[1:], "--same-drive-ok", "--system-disk-ok")
            if audit:
                apart.audit(*tiny[1:])

    def offload(self, cards: Sequence[Disk], drives: Sequence[Disk], *more: str) -> Ran:
        """A whole verified offload. Raises BenchError unless all matched."""
        command = ["offload", *(card.root for card in cards), "--production", "Bench", "--day", "1"]
        for drive in drives:
            command += ["--to", drive.root]
        for number, _ in enumerate(cards):
            command += ["--roll", f"{'ABCDEFGH'[number]}001", "--camera", "ABCDEFGH"[number]]
        if self.ground.emulated:
            # Loop devices are not known to be solid state on every kernel; say it.
            command += ["--read-back", "behind"]
        else:
            command += ["--same-drive-ok", "--system-disk-ok"]
        return self._run(*command, "--yes", *more)

    def audit(self, *drives: Disk) -> Ran:
        """A whole audit. Raises BenchError unless all matched."""
        return self._run("audit", *(drive.root for drive in drives))

    def help(self) -> Ran:
        return must([_program(), "--help"])

    def _run(self, *command: str) -> Ran:
        folder = os.path.join(self.home.root, self.catalog)
        os.makedirs(folder, exist_ok=True)
        env = {name: value for name, value in os.environ.items() if not name.startswith("INGEST_")}
        env["INGEST_CATALOG"] = os.path.join(folder, "catalog.sqlite3")
        argv = self.ground.inside([*(self.program or [_program()]), *command, "--json"])
        # 3 also says that there are not copies enough, which two folders on one disk are not.
        ran = must(argv, cwd=self.home.root, env=env, well=(0, 3))
        verdict = json.loads(ran.stdout)["verdict"]
        if verdict != "matched":
            raise BenchError(f"ingest {command[0]} said {verdict}")
        return ran


def _program() -> str:
    beside = os.path.join(os.path.dirname(sys.executable), "ingest")
    return beside if os.path.exists(beside) else "ingest"


def summer() -> str:
    """The fastest checksum program at hand."""
    for program in ("xxh128sum", "md5sum"):
        if shutil.which(program):
            return program
    raise BenchError("neither xxh128sum nor md5sum is here")


def copied_and_synced(ground: Ground, card: Disk, drives: Sequence[Disk]) -> float:
    """Seconds of `cp -r` to each drive, then their sync."""
    ground.cold()
    seconds = sum(_do(ground, "cp", "-r", f"{card.root}/.", drive.root) for drive in drives)
    return seconds + _do(ground, "sync", "-f", *(drive.root for drive in drives))


def copied_and_summed(
    ground: Ground, card: Disk, drives: Sequence[Disk], home: Disk, *, cold: bool
) -> float:
    """Seconds of the same, then checksums made on the card and checked on each drive; with
    `cold` the cache is emptied (outside the clock) before each of those readings."""
    seconds = copied_and_synced(ground, card, drives)
    sums = os.path.join(home.root, "sums")
    make = f'find . -type f -print0 | xargs -0 {summer()} > "$0"'
    if cold:
        ground.cold()
    seconds += _do(ground, "sh", "-c", make, sums, cwd=card.root)
    for drive in drives:
        if cold:
            ground.cold()
        seconds += _do(ground, summer(), "--quiet", "--check", sums, cwd=drive.root)
    return seconds


def rsynced(ground: Ground, card: Disk, drives: Sequence[Disk]) -> float:
    """Seconds of `rsync -a` to each drive and their sync, then of `rsync -anc`, which reads both
    sides, with the cache emptied (outside the clock) before each."""
    ground.cold()
    source = f"{card.root}/"
    seconds = sum(_do(ground, "rsync", "-a", source, drive.root) for drive in drives)
    seconds += _do(ground, "sync", "-f", *(drive.root for drive in drives))
    for drive in drives:
        ground.cold()
        seconds += _do(ground, "rsync", "-anc", source, drive.root)
    return seconds


def _do(ground: Ground, *command: str, cwd: str | None = None) -> float:
    return must(ground.inside(command), cwd=cwd).seconds
