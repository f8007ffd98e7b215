"""What the libraries say of a file beyond the facts named here, kept as it came."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.media.opening import Track
from ingest.media.reading.demuxing import Demuxed
from ingest.media.reading.values import clean, text

__all__ = ["as_it_came"]

# What says nothing of the clip: counts of MediaInfo's own, names of places, the copy's dates.
_NOT_KEPT = (
    "count",
    "kind_of_stream",
    "complete_name",
    "folder_name",
    "file_name",
    "file_extension",
    "file_creation",
    "file_last",
    "stream_identifier",
    "proportion",
    "internet_media_type",
    "format_extensions",
    "track_type",
    "fileextension_invalid",
    "othercount",
)
_MOST_EXTRA = 200
_LONGEST_EXTRA = 1000


def as_it_came(tracks: Sequence[Track], second: Demuxed | None) -> dict[str, str]:
    """What MediaInfo says, key and text as they came; then the tags that only FFmpeg gives."""
    kept: dict[str, str] = {}
    numbers: dict[str, int] = {}
    for track in tracks:
        kind = str(track.get("track_type"))
        numbers[kind] = numbers.get(kind, 0) + 1
        prefix = kind if numbers[kind] == 1 else f"{kind} {numbers[kind]}"
        for key in track:
            if len(kept) >= _MOST_EXTRA:
                return kept
            if key.startswith(("other_", *_NOT_KEPT)) or key.endswith(("_url", "_list")):
                continue
            written = text(track, key)
            if written:
                kept[f"{prefix} {key}"] = written[:_LONGEST_EXTRA]
    for key, value in (second.tags if second else {}).items():
        if len(kept) < _MOST_EXTRA and (written := clean(value)):
            kept[f"tag {clean(key)[:100]}"] = written[:_LONGEST_EXTRA]
    return kept
