"""How much was shot. Pure; data rates are arithmetic: bits over seconds."""

from __future__ import annotations

from fractions import Fraction

from ingest.assurance.footage.totals import shot_total
from ingest.catalog.records import Clip, ClipFile, ClipRole, FileRecord, Roll
from ingest.media.facts import ClipFacts, ClipKind

A1 = Roll(1, "Saltmarsh", "A001", 1, "2026-03-14", "A", "card")
A2 = Roll(2, "Saltmarsh", "A002", 2, "2026-03-15", "A", "card")
S1 = Roll(3, "Saltmarsh", "S001", 1, "2026-03-14", None, "card")


def clip(number: int, roll: Roll, seconds: int | None, kind: ClipKind = ClipKind.PICTURE) -> Clip:
    facts = ClipFacts(kind=kind, duration_seconds=None if seconds is None else Fraction(seconds))
    files = (
        ClipFile(f"C{number}.MOV", ClipRole.SPAN),
        ClipFile(f"C{number}.XML", ClipRole.COMPANION),
    )
    return Clip(number, roll, f"C{number}", files, facts, None)


def files(*clips: Clip, size: int = 22_000_000) -> list[FileRecord]:
    """Each clip has `size` bytes of recording and 1,000 beside it."""
    return [
        FileRecord(10 * one.id + part, one.roll.id, 1, file.path, (size, 1000)[part], 0, "", {})
        for one in clips
        for part, file in enumerate(one.files)
    ]


def test_minutes_bytes_and_rate_by_camera_roll_and_day() -> None:
    """ProRes 422 HQ at 176 Mb/s (Apple ProRes White Paper, target data rates): 22 MB a second."""
    clips = [clip(1, A1, 1), clip(2, A1, 2), clip(3, A2, 1)]
    shot = shot_total(
        [A1, A2], clips, [*files(clips[0], clips[2]), *files(clips[1], size=44_000_000)]
    )
    assert shot.whole.seconds == 4
    assert shot.whole.data_rate == 176_000_000
    assert shot.whole.bytes == 88_003_000
    (camera,) = shot.cameras
    assert (camera.of, camera.rolls, camera.clips) == ("A", 2, 3)
    assert [(one.of, one.seconds) for one in shot.rolls] == [("A001", 3), ("A002", 1)]
    assert [(one.of, one.seconds) for one in shot.days] == [("1", 3), ("2", 1)]
    assert shot.whole.longest is clips[1]
    assert shot.rolls[0].shortest is clips[0]


def test_sound_is_not_added_to_the_picture_it_belongs_to() -> None:
    """Of a day the picture counts; of a sound roll alone the sound does."""
    clips = [clip(1, A1, 10), clip(2, S1, 30, ClipKind.SOUND)]
    shot = shot_total([A1, S1], clips, files(*clips))
    assert shot.whole.seconds == 10
    assert [(one.of, one.seconds) for one in shot.cameras] == [("A", 10), ("S", 30)]


def test_what_states_no_length_is_said_and_not_averaged_in() -> None:
    """Its bytes would make the data rate too high."""
    clips = [clip(1, A1, 2), clip(2, A1, None)]
    shot = shot_total([A1], clips, files(*clips))
    assert (shot.whole.untimed, shot.whole.timed_bytes) == (1, 22_000_000)
    assert shot.whole.data_rate == 88_000_000


def test_without_clips_there_is_no_rate() -> None:
    """An empty roll, and a roll of stills."""
    still = clip(1, A1, None, ClipKind.STILL)
    shot = shot_total([A1], [still], files(still))
    assert (shot.whole.data_rate, shot.whole.longest, shot.whole.clips) == (None, None, 1)
    assert shot_total([], [], []).cameras == ()
