"""Clips that were read before, known by what their main file holds.

A digest is compared, never a name: a clip that came in with another roll, in another offload or
from another card is taken over, facts, pictures and health, and its file isn't read again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Clip, ClipRole, FileRecord

__all__ = ["KnownClips"]


class KnownClips:
    """Looked up once for a whole card, by the sizes of its files."""

    def __init__(self, catalog: Catalog, sizes: Iterable[int]) -> None:
        self._catalog = catalog
        self._files: defaultdict[int, list[FileRecord]] = defaultdict(list)
        for record in catalog.files_of_sizes(sizes):
            self._files[record.size].append(record)
        self._clips: dict[int, dict[str, Clip]] = {}

    def of(self, size: int, digests: Mapping[str, str]) -> Clip | None:
        """A clip of one file with this size and these digests that was read and looked at whole;
        None where there is none. Digests agree when all kinds in common do, and there is one."""
        for record in reversed(self._files[size]):
            common = record.digests.keys() & digests.keys()
            if not common or any(record.digests[kind] != digests[kind] for kind in common):
                continue
            clip = self._of_roll(record.roll_id).get(record.path)
            if clip is not None and _is_whole(clip, self._catalog.posters):
                return clip
        return None

    def _of_roll(self, roll_id: int) -> Mapping[str, Clip]:
        """The roll's clips of one file, by its path."""
        if roll_id not in self._clips:
            found: dict[str, Clip] = {}
            for clip in self._catalog.clips([self._catalog.roll_by_id(roll_id)]):
                spans = [file.path for file in clip.files if file.role is ClipRole.SPAN]
                if len(spans) == 1:
                    found[spans[0]] = clip
            self._clips[roll_id] = found
        return self._clips[roll_id]


def _is_whole(clip: Clip, posters: Path) -> bool:
    """Whether nothing would be gained by reading it again: a clip whose reading failed, or whose
    picture is gone, is read anew."""
    if clip.health is None:
        return False
    pictures = [name for name in (clip.poster, clip.slate_picture) if name is not None]
    return bool(pictures or clip.facts.codec) and all(
        (posters / name).is_file() for name in pictures
    )
