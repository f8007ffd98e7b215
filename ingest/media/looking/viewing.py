"""One look at a clip: its first, middle and last frame and some between, pieces of its sound; deep,
all of it. What was seen goes to `judging`, the frames to `posters`.

The file is opened once for its picture and once for its sound. Long clips cost no more than short
ones, unless deep.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from av.video.frame import VideoFrame

from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.health import Depth
from ingest.media.heif import read_heif
from ingest.media.looking.frames import glimpse
from ingest.media.looking.listening import Clap
from ingest.media.looking.sampled_picture import Sample, sampled_frames, stated_length
from ingest.media.looking.sampled_sound import MOST_TRACKS, sampled_tracks
from ingest.media.looking.seen import Glimpse, Seen
from ingest.media.looking.slate_frame import frame_at, which_clap
from ingest.media.looking.still import whole_still
from ingest.media.looking.streams import has_decoder, picture_of
from ingest.media.looking.throughout import all_of_it
from ingest.media.opening import CannotRead, open_media

__all__ = ["View", "view"]

_SLATE_S = 1.5
"""A slate is held in the picture about so long before and after it claps."""


@dataclass(slots=True)
class View:
    """What a look gave, with the frames for its pictures."""

    seen: Seen
    samples: list[Sample] = field(default_factory=list)
    telling: VideoFrame | None = None
    """The frame with the most to see, neither black nor blurred where there is another."""
    slate: VideoFrame | None = None
    """The frame in which the slate claps; None where none was heard."""
    clap: Clap | None = None


def view(
    path: str | os.PathLike[str],
    facts: ClipFacts,
    *,
    deep: bool = False,
    alive: Callable[[], None] = lambda: None,
) -> View:
    """Look at the clip. Never raises for what is in the file; it may hang or crash in a decoder.

    `alive` is called now and then while a deep look goes on.
    """
    if facts.container == "RIFX":
        # FFmpeg refuses some of them, and takes others for something else (measured).
        return View(Seen(no_decoder="RIFX (a big-endian Wave)"))
    found = View(Seen())
    try:
        if facts.kind is ClipKind.PICTURE:
            _picture(path, facts, found)
        elif facts.kind is ClipKind.STILL and deep:
            _still(path, found)
        elif facts.kind is not ClipKind.SOUND:
            return View(Seen(depth=Depth.NONE))
        if found.seen.no_decoder or found.seen.error or facts.kind is ClipKind.STILL:
            return found
        found.telling = _most_telling(found)
        if facts.audio:
            _sound(path, facts, found)
            found.telling = _most_telling(found)
        if found.clap is not None and facts.kind is ClipKind.PICTURE:
            found.slate = frame_at(path, found.clap)
        if deep:
            found.seen = all_of_it(path, found.seen, alive)
    except CannotRead as error:
        found.seen = replace(found.seen, error=str(error))
    return found


def _picture(path: str | os.PathLike[str], facts: ClipFacts, found: View) -> None:
    with open_media(path) as container:
        stream = picture_of(container)
        if stream is None:
            found.seen = Seen(error="it holds no picture")
            return
        if not has_decoder(stream):
            found.seen = Seen(no_decoder=facts.codec or "Its codec")
            return
        stream.thread_type = "SLICE"
        length = stated_length(container, stream)
        glimpses, found.samples = sampled_frames(container, stream, length)
        found.seen = Seen(
            glimpses=glimpses,
            picture_seconds=facts.duration_seconds or length,
            sound_seconds=tuple(each.seconds for each in facts.audio[:MOST_TRACKS]),
            frames=len(found.samples),
        )


def _still(path: str | os.PathLike[str], found: View) -> None:
    with open_media(path) as container:
        frame, wrong = whole_still(container, read_heif(path))
        one = Glimpse("first", error=wrong) if wrong or frame is None else glimpse(frame, "first")
        found.seen = Seen(glimpses=(one,), depth=Depth.DEEP, frames=1)
        found.telling = frame


def _sound(path: str | os.PathLike[str], facts: ClipFacts, found: View) -> None:
    sounds, claps = sampled_tracks(path)
    found.clap = which_clap(claps)
    found.seen = replace(found.seen, sounds=sounds)
    if not sounds and facts.kind is ClipKind.SOUND:
        found.seen = replace(found.seen, no_decoder=facts.codec or "Its codec")


def _most_telling(found: View) -> VideoFrame | None:
    """Of the frames that aren't black one away from the slate, then the one with most to see."""
    at = found.clap.at if found.clap is not None else None

    def rank(each: Sample) -> tuple[bool, float, float]:
        away = _SLATE_S if at is None else min(abs(each.at - at), _SLATE_S)
        return each.tells > 0, away, each.tells

    best = max(found.samples, key=rank, default=None)
    return best.frame if best is not None else None
