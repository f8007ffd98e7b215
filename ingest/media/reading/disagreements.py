"""Where a container and the track in it say different things, and how that is said."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.media.facts import Disagreement
from ingest.media.opening import Track
from ingest.media.reading.values import text

__all__ = ["container_against_track", "in_words"]

# What MediaInfo calls `original` is what the track itself says, where the container says otherwise.
_ORIGINALS = {
    "frame_rate": "frame rate",
    "width": "width",
    "height": "height",
    "bit_depth": "bit depth",
    "chroma_subsampling": "chroma",
    "color_primaries": "colour primaries",
    "colour_primaries": "colour primaries",
    "transfer_characteristics": "transfer",
    "matrix_coefficients": "matrix",
    "color_range": "colour range",
    "colour_range": "colour range",
    "pixel_aspect_ratio": "pixel shape",
    "scan_type": "scan",
    "scan_order": "field order",
    "sampling_rate": "sample rate",
    "channel_s": "channels",
}


def container_against_track(tracks: Sequence[Track]) -> list[Disagreement]:
    """Facts that the container states otherwise than these tracks of MediaInfo's; it is taken."""
    found = []
    for track in tracks:
        for key, what in _ORIGINALS.items():
            container, own = text(track, key), text(track, f"{key}_original")
            if container and own and container != own:
                values = {"container": container, "track": own}
                found.append(Disagreement(what, values, "container"))
    return found


def in_words(apart: Disagreement) -> str:
    """A sentence: the fact, each value with its source, and which of them is taken."""
    values = ", ".join(f"{value} by its {source}" for source, value in apart.values.items())
    taken = f"; its {apart.taken} is taken" if apart.taken else ""
    return f"Two sources disagree on its {apart.what}: {values}{taken}."
