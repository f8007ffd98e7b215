"""Which device a roll is of, and how much each device records."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from ingest.assurance.data_rates import DataRate, Recording, expected_rate, measured_rate
from ingest.catalog.records import Clip, FileRecord, Roll
from ingest.media.facts import ClipKind
from ingest.settings import Settings
from ingest.slate.names import camera_key

__all__ = ["clip_sizes", "device_letter", "device_rates", "picture_sizes"]


def device_letter(roll: Roll) -> str:
    """The letter of the device that a roll is of: its camera's, else the letters of its name."""
    return roll.camera or roll.name.rstrip("0123456789").rstrip(" _-") or roll.name


def clip_sizes(clips: Iterable[Clip], files: Iterable[FileRecord]) -> Mapping[int, int]:
    """Clip id to the bytes of all its files, companions among them."""
    sizes = {(file.roll_id, file.path): file.size for file in files}
    return {
        clip.id: sum(sizes.get((clip.roll.id, file.path), 0) for file in clip.files)
        for clip in clips
    }


def device_rates(
    clips: Sequence[Clip], sizes: Mapping[int, int], settings: Settings
) -> Mapping[str, DataRate | None]:
    """Bytes a second of every camera and recorder of ingest.toml, and of every other that came in:
    measured, else as ingest.toml lets it be worked out, else None. `sizes`: see `clip_sizes`."""
    shot: defaultdict[str, list[Recording]] = defaultdict(list)
    told = {camera_key(one.letter): one for one in settings.devices.values()}
    letters = {key: one.letter for key, one in told.items() if one.kind != "stills"}
    for clip in clips:
        facts = clip.facts
        if facts.kind not in (ClipKind.PICTURE, ClipKind.SOUND) or not facts.duration_seconds:
            continue
        key = camera_key(device_letter(clip.roll))
        letters.setdefault(key, device_letter(clip.roll))
        shot[key].append(Recording(clip.roll.day, sizes[clip.id], facts.duration_seconds))
    return {
        letter: measured_rate(shot[key])
        or (expected_rate(told[key], settings.frame_rate) if key in told else None)
        for key, letter in letters.items()
    }


def picture_sizes(
    clips: Sequence[Clip], sizes: Mapping[int, int], settings: Settings
) -> Mapping[str, int]:
    """By the letter of each stills camera of ingest.toml: bytes of a picture on average; 0 where
    none came in."""
    found: dict[str, int] = {}
    for device in settings.devices.values():
        if device.kind == "stills":
            mine = [
                sizes[clip.id]
                for clip in clips
                if clip.facts.kind is ClipKind.STILL
                and camera_key(device_letter(clip.roll)) == camera_key(device.letter)
            ]
            found[device.letter] = sum(mine) // len(mine) if mine else 0
    return found
