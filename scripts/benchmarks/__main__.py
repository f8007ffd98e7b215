"""Options, the run over the cases, the table."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import shutil
import signal
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime

from benchmarks.cases import CASES, MEMORY, Bench
from benchmarks.ground import Emulated, Folders, Ground
from benchmarks.values import BenchError, Row

_INSIDE = "INGEST_BENCH_INSIDE"
_QUICK = 0.2
_STOPS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def main(argv: Sequence[str] | None = None) -> int:
    options = _options(argv)
    if options.list:
        print("\n".join(CASES))
        return 0
    emulate = sys.platform == "linux" and os.geteuid() == 0 and not options.folders
    if emulate and not os.environ.get(_INSIDE):
        # Mounts in a namespace of our own are gone with us, however we end.
        os.environ[_INSIDE] = "1"
        again = [sys.executable, "-m", "benchmarks", *(sys.argv[1:] if argv is None else argv)]
        os.execvp("unshare", ["unshare", "--mount", *again])
    for number in _STOPS:
        signal.signal(number, _asked)
    begun = time.monotonic()
    rows: list[Row] = []
    failed: dict[str, str] = {}
    with contextlib.ExitStack() as stack:
        ground: Ground = Emulated(stack) if emulate else Folders(stack, options.folders)
        _say(f"Measured on {ground.about}.")
        if options.quick:
            _say("Quick: a fifth of the bytes, so fixed costs weigh five times as much.")
        times = 1 if options.quick else 3
        bench = Bench(ground, _QUICK if options.quick else 1.0, times)
        try:
            for name in options.case or CASES:
                _say(f"  {name} ...")
                try:
                    rows += CASES[name](bench)
                except BenchError as error:
                    failed[name] = str(error)
                    _say(f"  {name} was not measured: {error}")
        except KeyboardInterrupt:
            _say("Stopped; what was measured until here:")
            failed["stopped"] = "by the user"
    for number in _STOPS:
        signal.signal(number, signal.SIG_IGN)  # nothing is left to be stopped
    _table(rows)
    _write(options.json, ground.about, options.quick, rows, failed, time.monotonic() - begun)
    return 1 if failed else 0


def _options(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="scripts/bench", description="Measure the whole program against its floors."
    )
    parser.add_argument("--quick", action="store_true", help="a fifth of the bytes, once each")
    parser.add_argument("--case", action="append", choices=list(CASES), help="only this (repeat)")
    parser.add_argument("--list", action="store_true", help="name the cases")
    parser.add_argument("--json", metavar="FILE", default="bench/results.json")
    parser.add_argument("--folders", metavar="FOLDER", help="plain folders below FOLDER, no root")
    return parser.parse_args(argv)


def _asked(number: int, frame: object) -> None:
    for each in _STOPS:
        signal.signal(each, signal.SIG_IGN)  # once is enough: the tidying up is not to be cut off
    raise KeyboardInterrupt


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _table(rows: Sequence[Row]) -> None:
    head = ("case", "ratio", "goal", "", "ours s", "floor s", "plain", "MiB", "child")
    print("{:<10}{:>7}  {:<14}{:<8}{:>8}{:>9}{:>7}{:>6}{:>7}".format(*head))
    for row in rows:
        print(
            f"{row.case:<10}{row.ratio:>7.3f}  {row.sense + f' {row.goal:g}':<14}"
            f"{'met' if row.met else 'MISSED':<8}{row.seconds:>8.2f}{row.floor_seconds:>9.2f}"
            f"{row.details.get('ratio to plain', ''):>7}{_mib(row.peak_main):>6}"
            f"{_mib(row.peak_child):>7}"
        )
    peaks = [row.peak_main for row in rows if row.peak_main]
    if peaks:
        told = "met" if max(peaks) < MEMORY else "MISSED"
        print(f"{'peak memory of the program, whatever the case: under 160 MiB':<60} {told}")
    print("ratio: of whole commands, interpreter start included. plain: the ratio to a plain read")
    print("or write of the same bytes in this run. MiB: peak of the program, and of one child.")


def _mib(count: int) -> str:
    return f"{count / 1024 / 1024:.0f}" if count else ""


def _write(
    path: str,
    about: str,
    quick: bool,
    rows: Sequence[Row],
    failed: dict[str, str],
    seconds: float,
) -> None:
    folder = os.path.dirname(path)
    if folder:
        os.makedirs(folder, exist_ok=True)
    told = {
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "about": about,
        "quick": quick,
        "machine": {
            "system": platform.platform(),
            "processors": os.cpu_count(),
            "python": platform.python_version(),
            "rsync": bool(shutil.which("rsync")),
        },
        "seconds": round(seconds, 1),
        "cases": [{**asdict(row), "met": row.met} for row in rows],
        "not_measured": failed,
    }
    with open(path, "w", encoding="utf-8") as file:
        json.dump(told, file, indent=2)
        file.write("\n")


if __name__ == "__main__":
    sys.exit(main())
