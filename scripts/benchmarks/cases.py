"""The cases: what is on the card, how fast the devices are, and what the time is held against.

A floor is exact where the devices are held to a speed: bytes / bytes a second of the slowest
thing that must happen once. The same floor is also measured, by a plain read past the cache of
the same bytes on the same devices, and shown beside.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from benchmarks import footage
from benchmarks.ground import Disk, Ground, plain_read, plain_write
from benchmarks.programs import (
    Ours,
    copied_and_summed,
    copied_and_synced,
    rsynced,
)
from benchmarks.values import MB, Ran, Row, Speed

__all__ = ["CASES", "MEMORY", "Bench"]

_CARD = Speed(150 * MB, 150 * MB)
_A = Speed(250 * MB, 250 * MB)
_B = Speed(225 * MB, 200 * MB)
_SLOW = Speed(225 * MB, 60 * MB)
_FREE = Speed()
_READERS = 4
_FASTER = Speed(800 * MB, 800 * MB)
"""Faster than four cards together, which is what the case is about."""
MEMORY = 160 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Bench:
    """What every case is given."""

    ground: Ground
    scale: float
    """1 for the goals' own sizes."""
    times: int
    """How often an unthrottled case is run; the best counts."""

    def bytes(self, count: int) -> int:
        return int(count * self.scale) // MB * MB

    @contextlib.contextmanager
    def disks(self, size: int, speeds: Mapping[str, Speed]) -> Iterator[tuple[Ours, list[Disk]]]:
        """Fresh disks of `size` bytes each, and the program with an empty catalog."""
        sizes = dict.fromkeys(speeds, size)
        with self.disks_of(sizes, speeds) as made:
            yield made

    @contextlib.contextmanager
    def disks_of(
        self, sizes: Mapping[str, int], speeds: Mapping[str, Speed]
    ) -> Iterator[tuple[Ours, list[Disk]]]:
        with contextlib.ExitStack() as stack:
            home = stack.enter_context(self.ground.disk("home", 300 * MB, _FREE))
            made = [
                stack.enter_context(self.ground.disk(name, sizes[name], speed))
                for name, speed in speeds.items()
            ]
            yield Ours(self.ground, home), made

    def row(
        self,
        case: str,
        what: str,
        goal: float,
        ran: Ran,
        floor: tuple[float, float],
    ) -> Row:
        """A row held against a floor: (exact or 0, measured) seconds."""
        exact, plain = floor
        against = exact or plain
        return Row(
            case=case,
            what=what,
            ratio=ran.seconds / against,
            goal=goal,
            sense="at most",
            seconds=ran.seconds,
            floor_seconds=against,
            floor="bytes / speed" if exact else "a plain read or write, measured",
            peak_main=ran.peak_main,
            peak_child=ran.peak_child,
            details={
                "plain seconds": round(plain, 3),
                "ratio to plain": round(ran.seconds / plain, 3),
                "processor seconds": round(ran.cpu_seconds, 2),
            },
        )

    def reading(self, disk: Disk, count: int) -> tuple[float, float]:
        """The floor of reading `count` bytes, all there is on `disk`, once."""
        speed = disk.speed.read
        return count / speed if speed else 0.0, plain_read(self.ground, disk)


def _offload(
    bench: Bench,
    case: str,
    goal: float,
    fill: Callable[[str], int],
    size: int,
    drives: Sequence[Speed] = (_A, _B),
    more: Sequence[str] = (),
) -> Row:
    names = ("card", "a", "b", "c")
    speeds = dict(zip(names, (_CARD, *drives), strict=False))
    with bench.disks(size, speeds) as (ours, (card, *to)):
        count = fill(card.root)
        with bench.ground.held(card, *to):
            floor = bench.reading(card, count)
            ours.ready()
            ran = ours.offload([card], to, *more)
        return bench.row(case, "verified offload / reading the card once", goal, ran, floor)


def _long(bench: Bench) -> list[Row]:
    size = bench.bytes(1500 * MB)
    with bench.disks(size, {"card": _CARD, "a": _A, "b": _B}) as (ours, (card, *to)):
        count = footage.clips(card.root, [size // 4] * 4)
        with bench.ground.held(card, *to):
            floor = bench.reading(card, count)
            ours.ready()
            ran = ours.offload([card], to)
        row = bench.row("long", "verified offload / reading the card once", 1.05, ran, floor)
        others = {}
        for disk in to:
            _emptied(disk)
        with bench.ground.held(card, *to):
            others["cp -r, then checksums"] = copied_and_summed(
                bench.ground, card, to, ours.home, cold=True
            )
        for disk in to:
            _emptied(disk)
        with bench.ground.held(card, *to):
            others["rsync -a, then rsync -anc"] = rsynced(bench.ground, card, to)
    quickest = min(others, key=lambda name: others[name])
    typed_row = Row(
        case="typed",
        what=f"what a user would otherwise type ({quickest}) / ours",
        ratio=others[quickest] / ran.seconds,
        goal=3.0,
        sense="at least",
        seconds=ran.seconds,
        floor_seconds=others[quickest],
        floor=quickest,
        details={f"{name}, seconds": round(seconds, 2) for name, seconds in others.items()},
    )
    return [row, typed_row]


def _single(bench: Bench) -> list[Row]:
    size = bench.bytes(1500 * MB)
    return [_offload(bench, "single", 1.06, lambda root: footage.clips(root, [size]), size)]


def _stills(bench: Bench) -> list[Row]:
    count = int(400 * bench.scale)
    size = count * 4 * MB
    fill = lambda root: footage.stills(root, count, 4 * MB)  # noqa: E731
    return [_offload(bench, "stills", 1.06, fill, size)]


def _three(bench: Bench) -> list[Row]:
    size = bench.bytes(1500 * MB)
    kinds = ["--checksum", "xxh128", "--checksum", "md5", "--checksum", "c4"]
    fill = lambda root: footage.clips(root, [size // 4] * 4)  # noqa: E731
    return [_offload(bench, "three", 1.08, fill, size, (_A, _B, _B), kinds)]


def _slow(bench: Bench) -> list[Row]:
    size = bench.bytes(600 * MB)
    with bench.disks(size, {"card": _CARD, "a": _A, "slow": _SLOW}) as (ours, (card, a, slow)):
        count = footage.clips(card.root, [size // 4] * 4)
        with bench.ground.held(card, a, slow):
            exact = count / slow.speed.write if slow.speed.write else 0.0
            floor = exact, plain_write(bench.ground, slow, count)
            ours.ready()
            ran = ours.offload([card], [a, slow])
        what = "verified offload / writing the slow drive once"
        return [bench.row("slow", what, 1.06, ran, floor)]


def _four(bench: Bench) -> list[Row]:
    sizes = [bench.bytes(count * MB) for count in (1200, 900, 600, 300)]
    names = [f"card{number}" for number in range(_READERS)]
    speeds = {**dict.fromkeys(names, _CARD), "a": _FASTER, "b": _FASTER}
    room = {**dict(zip(names, sizes, strict=True)), "a": sum(sizes), "b": sum(sizes)}
    with bench.disks_of(room, speeds) as (ours, disks):
        cards, to = disks[:_READERS], disks[_READERS:]
        counts = [
            footage.clips(card.root, [size // 3] * 3, letter)
            for card, size, letter in zip(cards, sizes, "ABCD", strict=True)
        ]
        with bench.ground.held(*disks):
            floor = bench.reading(cards[0], counts[0])
            ours.ready()
            ran = ours.offload(cards, to)
        what = "offload of four cards at once / reading the largest once"
        return [bench.row("four", what, 1.15, ran, floor)]


def _many(bench: Bench) -> list[Row]:
    count, each = int(20_000 * bench.scale), 20_000
    best: Ran | None = None
    typed: list[float] = []
    # A file takes whole blocks.
    room = count * 24_000
    for _ in range(bench.times):
        with bench.disks(room, {"card": _FREE, "a": _FREE, "b": _FREE}) as (ours, (card, *to)):
            footage.many(card.root, count, each, ".dat")
            with bench.ground.held(card, *to):
                typed.append(copied_and_synced(bench.ground, card, to))
            for disk in to:
                _emptied(disk)
            with bench.ground.held(card, *to):
                ours.ready()
                ran = ours.offload([card], to)
            best = ran if best is None or ran.seconds < best.seconds else best
    assert best is not None
    return [
        Row(
            case="many",
            what=f"verified offload of {count:,} files of 20 KB / cp -r twice and sync",
            ratio=best.seconds / min(typed),
            goal=1.0,
            sense="at most",
            seconds=best.seconds,
            floor_seconds=min(typed),
            floor=f"cp -r twice and sync, best of {bench.times}",
            peak_main=best.peak_main,
            peak_child=best.peak_child,
            details={"processor seconds": round(best.cpu_seconds, 2)},
        )
    ]


def _audit(bench: Bench) -> list[Row]:
    size = bench.bytes(2250 * MB)  # about ten seconds, as the other floors
    with bench.disks(size, {"card": _FREE, "a": _A, "b": _B}) as (ours, (card, a, b)):
        count = footage.clips(card.root, [size // 4] * 4)
        ours.offload([card], [a, b])
        with bench.ground.held(a, b):
            floor = bench.reading(a, count)
            ours.ready(audit=True)
            one = ours.audit(a)
            slower = bench.reading(b, count)
            ours.ready(audit=True)
            two = ours.audit(a, b)
        return [
            bench.row("audit", "audit of one drive / reading it once", 1.04, one, floor),
            bench.row("audit two", "audit of two / reading the slower once", 1.04, two, slower),
        ]


def _memory(bench: Bench) -> list[Row]:
    """Twice: with the kind that the other side makes too, and with the kinds of a usual offload."""
    size = bench.bytes(1500 * MB)
    kinds = {"memory": ("--checksum", "xxh128"), "memory 2": ()}
    names = {"memory": "one kind of checksum, as theirs", "memory 2": "the usual two kinds"}
    runs: dict[str, list[Ran]] = {case: [] for case in kinds}
    count = 0
    typed: list[float] = []
    for _ in range(bench.times):
        with bench.disks(size, {"card": _FREE, "a": _FREE, "b": _FREE}) as (ours, (card, *to)):
            count = footage.clips(card.root, [size // 4] * 4)
            with bench.ground.held(card, *to):
                # Nothing is emptied between its steps: its checksums may come from memory.
                seconds = copied_and_summed(bench.ground, card, to, ours.home, cold=False)
                typed.append(seconds)
            for case, more in kinds.items():
                for disk in to:
                    _emptied(disk)
                with bench.ground.held(card, *to):
                    ours.ready()
                    # A catalog for each, or the card would be known already.
                    runs[case].append(replace(ours, catalog=case).offload([card], to, *more))
    rows = []
    for case, all_runs in runs.items():
        best = min(all_runs, key=lambda ran: ran.seconds)
        rows.append(
            Row(
                case=case,
                what=f"unthrottled: cp, cp, sync, checksums of three trees / ours, {names[case]}",
                ratio=min(typed) / best.seconds,
                goal=2.0,
                sense="at least",
                seconds=best.seconds,
                floor_seconds=min(typed),
                floor=f"cp, cp, sync, checksums of three trees, best of {bench.times}",
                peak_main=best.peak_main,
                peak_child=best.peak_child,
                details={
                    "bytes a second": round(count / best.seconds),
                    "processor seconds": round(best.cpu_seconds, 2),
                },
            )
        )
    return rows


def _start(bench: Bench) -> list[Row]:
    with bench.disks(MB, {}) as (ours, []):
        best = min((ours.help() for _ in range(9)), key=lambda ran: ran.seconds)
    return [
        Row(
            case="start",
            what="ingest --help, seconds, best of 9",
            ratio=best.seconds,
            goal=0.25,
            sense="at most",
            seconds=best.seconds,
            floor_seconds=1.0,
            floor="one second",
        )
    ]


def _clips(bench: Bench) -> list[Row]:
    """What the reading of clips costs, while there is a processor to spare."""
    # Imported here, since the other cases need no decoder.
    from benchmarks.reading import UNREAD

    size = bench.bytes(1500 * MB)
    runs: dict[str, Ran] = {}
    with bench.disks(size, {"card": _CARD, "a": _A, "b": _B}) as (ours, (card, *to)):
        footage.clips(card.root, [size // 20] * 20)
        for case, program in (("without", [sys.executable, *UNREAD]), ("with", [])):
            for disk in to:
                _emptied(disk)
            with bench.ground.held(card, *to):
                ours.ready()
                # A catalog for each, or the clips would be known already.
                asked = replace(ours, catalog=case, program=program)
                runs[case] = asked.offload([card], to)
    ran, alone = runs["with"], runs["without"]
    return [
        Row(
            case="clips",
            what="verified offload of 20 clips, each read / the same without reading them",
            ratio=ran.seconds / alone.seconds,
            goal=1.03,
            sense="at most",
            seconds=ran.seconds,
            floor_seconds=alone.seconds,
            floor="the same offload, no clip read",
            peak_main=ran.peak_main,
            peak_child=ran.peak_child,
            details={
                "processor seconds": round(ran.cpu_seconds, 2),
                "processors": os.cpu_count() or 0,
            },
        )
    ]


def _probe(bench: Bench) -> list[Row]:
    from benchmarks.reading import probed

    return probed(bench.scale)


def _report(bench: Bench) -> list[Row]:
    # Imported here, since the other cases need no browser and no decoder.
    from benchmarks.pages import opened_report

    return opened_report(bench.scale)


def _emptied(disk: Disk) -> None:
    for name in os.listdir(disk.root):
        footage.remove(os.path.join(disk.root, name))


CASES: Mapping[str, Callable[[Bench], list[Row]]] = {
    "long": _long,
    "single": _single,
    "stills": _stills,
    "three": _three,
    "slow": _slow,
    "four": _four,
    "many": _many,
    "audit": _audit,
    "memory": _memory,
    "start": _start,
    "clips": _clips,
    "probe": _probe,
    "report": _report,
}
"""By name, in the order in which they are run."""
