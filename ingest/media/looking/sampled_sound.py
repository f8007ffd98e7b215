"""Pieces of a clip's sound: whether it is there and can be decoded, and where a slate claps."""

from __future__ import annotations

import os
from collections.abc import Sequence

import av
import av.container
from av.audio.stream import AudioStream
from av.stream import Discard

from ingest.media.looking.listening import Clap, Piece, find_clap, listen, peaks
from ingest.media.looking.seen import Heard
from ingest.media.looking.streams import error_words, has_decoder
from ingest.media.opening import open_media

__all__ = ["MOST_TRACKS", "sampled_tracks"]

MOST_TRACKS = 32
"""The most sound tracks that are listened to."""

_HEAD, _TAIL = 15.0, 12.0
_PIECE = 0.5
_CHEAP = ("mov", "wav", "flac", "aiff", "caf", "w64")
"""Containers in which sound is read without the picture between."""


def sampled_tracks(
    path: str | os.PathLike[str],
) -> tuple[tuple[Heard, ...], tuple[Clap | None, ...]]:
    """What was heard of each sound track that has a decoder here, and the clap at the head and at
    the tail of the first. Raises CannotRead."""
    with open_media(path) as container:
        for each in container.streams.video:
            each.discard = Discard.all
        cheap = any(each in container.format.name for each in _CHEAP)
        every: list[Heard] = []
        claps: tuple[Clap | None, ...] = ()
        for number, track in enumerate(list(container.streams.audio[:MOST_TRACKS])):
            if not has_decoder(track):
                continue
            windows = _windows(container, track, long=number == 0, cheap=cheap)
            one, clapped = _heard(container, track, windows)
            every.append(one)
            if number == 0:
                claps = tuple(clapped)
        return tuple(every), claps


def _windows(
    container: av.container.InputContainer, track: AudioStream, *, long: bool, cheap: bool
) -> list[tuple[float, float]]:
    """Where to listen: start and length, in seconds. Head and tail first, for the slate."""
    seconds = float(track.duration * track.time_base) if track.duration and track.time_base else 0.0
    seconds = seconds or float(container.duration or 0) / av.time_base
    head, tail = (_HEAD, _TAIL) if cheap else (_HEAD / 3, _TAIL / 3)
    if not long:
        head = tail = _PIECE
    if seconds <= head + tail:
        return [(0.0, seconds or head)]
    return [(0.0, head), (seconds - tail, tail), (seconds / 2, _PIECE)]


def _heard(
    container: av.container.InputContainer,
    track: AudioStream,
    windows: Sequence[tuple[float, float]],
) -> tuple[Heard, list[Clap | None]]:
    every: list[Piece] = []
    claps: list[Clap | None] = []
    error = ""
    places = 0
    for start, seconds in windows:
        pieces: list[Piece] = []
        try:
            pieces.extend(listen(container, track, start=start, seconds=seconds))
        except (av.FFmpegError, StopIteration) as failed:
            error = error or error_words(failed)
        places += bool(pieces)
        every += pieces
        claps.append(find_clap(pieces) if seconds > _PIECE else None)
    if not places and not error:
        error = "no sound comes"
    return Heard(peaks(every), places, error), claps
