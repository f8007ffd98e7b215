"""How much was shot: clips, time, bytes and data rate, by camera, roll and day. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.assurance.footage.devices import device_of
from ingest.catalog.records import Clip, FileRecord, Roll
from ingest.media.facts import ClipKind
from ingest.wording import natural

__all__ = ["Shot", "Total", "shot_total"]


@dataclass(frozen=True, slots=True)
class Total:
    """A sum over some rolls."""

    of: str
    """The roll's name, the camera's letter (empty: not known), or the day's number."""
    rolls: int
    files: int
    bytes: int
    """Of all files, those of no clip included."""
    clips: int
    pictures: int
    """Clips of moving picture among them."""
    seconds: Fraction
    """Picture; of sound where a group has no picture. Clips that state no length count nothing."""
    timed_bytes: int
    """Bytes of the recordings that `seconds` counts, companions left out."""
    untimed: int
    """Clips of picture or sound that state no length."""
    longest: Clip | None
    shortest: Clip | None
    """Of those that `seconds` counts; None where there are none."""

    @property
    def data_rate(self) -> Fraction | None:
        """Bits a second, as measured: the recordings' bytes over their length."""
        return self.timed_bytes * 8 / self.seconds if self.seconds else None


@dataclass(frozen=True, slots=True)
class Shot:
    """The totals of a production, or of what was chosen of it."""

    whole: Total
    cameras: tuple[Total, ...]
    """Cameras, recorders and stills cameras, by letter."""
    rolls: tuple[Total, ...]
    days: tuple[Total, ...]


def shot_total(rolls: Sequence[Roll], clips: Sequence[Clip], files: Iterable[FileRecord]) -> Shot:
    """The totals over `rolls`, all of one production; `clips` and `files` are theirs.

    Of a clip's file that the roll holds in two versions, both count.
    """
    files = tuple(files)
    sizes: dict[tuple[int, str], int] = {}
    for file in files:
        key = (file.roll_id, file.path)
        sizes[key] = sizes.get(key, 0) + file.size

    def over(some: Sequence[Roll], of: str) -> Total:
        ids = {roll.id for roll in some}
        return _total(
            of,
            len(some),
            [file for file in files if file.roll_id in ids],
            [clip for clip in clips if clip.roll.id in ids],
            sizes,
        )

    def by(of: Callable[[Roll], str]) -> tuple[Total, ...]:
        groups: dict[str, list[Roll]] = {}
        for roll in rolls:
            groups.setdefault(of(roll), []).append(roll)
        return tuple(over(groups[name], name) for name in sorted(groups, key=natural))

    return Shot(
        whole=over(rolls, ""),
        cameras=by(device_of),
        rolls=by(lambda roll: roll.name),
        days=by(lambda roll: str(roll.day)),
    )


def _total(
    of: str,
    rolls: int,
    files: Sequence[FileRecord],
    clips: Sequence[Clip],
    sizes: Mapping[tuple[int, str], int],
) -> Total:
    pictures = [clip for clip in clips if clip.facts.kind is ClipKind.PICTURE]
    sounds = [clip for clip in clips if clip.facts.kind is ClipKind.SOUND]
    running = pictures or sounds
    timed = [
        (length, clip) for clip in running if (length := clip.facts.duration_seconds) is not None
    ]
    return Total(
        of=of,
        rolls=rolls,
        files=len(files),
        bytes=sum(file.size for file in files),
        clips=len(clips),
        pictures=len(pictures),
        seconds=sum((length for length, _ in timed), Fraction(0)),
        timed_bytes=sum(
            sizes.get((clip.roll.id, file.path), 0)
            for _, clip in timed
            for file in clip.files
            if file.role == "span"
        ),
        untimed=len(running) - len(timed),
        longest=max(timed, key=lambda each: each[0])[1] if timed else None,
        shortest=min(timed, key=lambda each: each[0])[1] if timed else None,
    )
