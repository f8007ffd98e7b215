"""Image sequences: one name, one ending, one width of number, counting on."""

from __future__ import annotations

import re
from collections import defaultdict
from itertools import pairwise

from ingest.card.clips.dcf import is_dcf_folder, is_dcf_name
from ingest.card.clips.values import Draft, base_of, folder_of, in_lesser_folder, stem_of
from ingest.media.facts import ClipKind
from ingest.media.kinds import ending

__all__ = ["take_sequences"]

_FRAME = re.compile(r"(.*?)(\d{4,})", re.ASCII | re.DOTALL)
_ENDINGS = frozenset(
    ("dng", "dpx", "exr", "tif", "tiff", "ari", "jpg", "jpeg", "png", "jp2", "j2k")
)
_FEWEST_FRAMES = 3
_DATE_BEFORE_TIME = re.compile(r".*\d{8}[_T-]?", re.ASCII | re.DOTALL)


def take_sequences(paths: list[str]) -> tuple[list[Draft], list[str]]:
    """The image sequences among these files, and the files that are in none."""
    runs: dict[tuple[str, str, str, int], list[tuple[int, str]]] = defaultdict(list)
    for path in paths:
        stem, end = stem_of(path), ending(path)
        match = _FRAME.fullmatch(stem)
        if end not in _ENDINGS or match is None or is_dcf_name(stem):
            continue
        if in_lesser_folder(path) or is_dcf_folder(base_of(folder_of(path))):
            continue
        if len(match[2]) == 6 and _DATE_BEFORE_TIME.fullmatch(match[1]):
            continue  # stills named for their date and time, not counted
        runs[folder_of(path), match[1], end, len(match[2])].append((int(match[2]), path))
    drafts: list[Draft] = []
    taken: set[str] = set()
    for (folder, prefix, _, _), frames in runs.items():
        frames.sort()
        numbers = [number for number, _ in frames]
        # Dates and times also end in digits: only what is at least half full counts on.
        if len(frames) < _FEWEST_FRAMES or 2 * len(frames) < numbers[-1] - numbers[0] + 1:
            continue
        gaps = tuple(
            (before + 1, after - 1) for before, after in pairwise(numbers) if after - before > 1
        )
        stem = prefix.rstrip("_-. ") or base_of(folder) or stem_of(frames[0][1])
        files = [path for _, path in frames]
        drafts.append(Draft(stem, ClipKind.PICTURE, folder, files, gaps=gaps, is_sequence=True))
        taken.update(files)
    return drafts, [path for path in paths if path not in taken]
