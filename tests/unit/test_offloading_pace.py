"""The course of an offload: what is kept of how fast each drive was."""

from __future__ import annotations

import time
from types import SimpleNamespace
from typing import Any, cast

from ingest.copying.values import CopyMatched, DriveMeter, DriveStopped, Event, Progress
from ingest.jobs.offloading.ledger import Ledger
from ingest.jobs.offloading.pace import Meter
from ingest.jobs.offloading.values import Phase

MB = 1_000_000


def test_a_long_run_keeps_few_points_and_its_whole_length() -> None:
    """Ten hours, four times a second: bounded, rising, from beginning to end."""
    meter = Meter()
    for number in range(4 * 36_000):
        meter.note(number / 4, number * MB)
    points = meter.points
    assert len(points) <= 200
    assert points == sorted(points)
    assert points[0] == (0.0, 0)
    assert points[-1][0] > 36_000 - 2 * meter.every
    assert all(count == at * 4 * MB for at, count in points)


def test_what_the_engine_tells_is_kept_for_each_drive_and_passed_on() -> None:
    """Half of a byte's way is the writing, half the reading back; every event goes on, but a match
    goes to those who read the clips, under its name on the card."""
    plan = cast(Any, SimpleNamespace(drives=[None, None]))
    nothing = cast(Any, None)
    ledger = Ledger(plan, nothing, nothing, [], [], time.monotonic(), {})
    heard: list[Event | Phase] = []
    arrived: list[str] = []
    reader = SimpleNamespace(
        arrived=lambda path, matched: arrived.append(path), get_ready=lambda: None
    )
    listen = ledger.listening(heard.append, cast(Any, reader))
    told: list[Event] = [
        Progress(10 * MB, (DriveMeter(10 * MB, 8 * MB, ""), DriveMeter(4 * MB, 0, ""))),
        DriveStopped(1, "gone"),
    ]
    for event in told:
        listen(event)
    listen(CopyMatched("A/C0001.MOV", 5, 0, {}))
    assert heard == told
    assert arrived == ["A/C0001.MOV"]
    assert [[count for _, count in on.meter.points] for on in ledger.on_drive] == [
        [9 * MB],
        [2 * MB],
    ]
    assert ledger.on_drive[1].stopped == "gone"
