"""Moving pictures (and sound that isn't Broadcast Wave): MediaInfo's facts, FFmpeg as second view.

MediaInfo names more; FFmpeg's index decides where MediaInfo is known to be wrong: whether the
rate varies (the frames' times decide) and whether frames lie past the end of the file. Each
question has its module: `picture_format`, `timing`, `start_timecode`, `dates`, `disagreements`,
`extra`.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from ingest.media.claims import MOST_TRACKS
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, Disagreement, Sign
from ingest.media.opening import CannotRead, Track, claimed_tracks, mediainfo_tracks
from ingest.media.reading import tags as known_tags
from ingest.media.reading.dates import recording_date
from ingest.media.reading.demuxing import Demuxed, demux
from ingest.media.reading.disagreements import container_against_track, in_words
from ingest.media.reading.extra import as_it_came
from ingest.media.reading.picture_format import with_picture_format
from ingest.media.reading.start_timecode import with_start_timecode
from ingest.media.reading.timing import with_timing
from ingest.media.reading.transport import ends_in_a_packet
from ingest.media.reading.values import fraction, text, whole

__all__ = ["read_picture"]


def read_picture(path: str | os.PathLike[str], *, kind: ClipKind) -> ClipFacts:
    """Facts of a clip; `kind` is what it is taken for where the content doesn't tell.

    Never raises for what is in the file: doubts say what could not be read.
    Raises OSError where the file can't be read.
    """
    claimed, looked = claimed_tracks(path)
    doubts: list[str] = []
    if claimed > looked:
        doubts.append(f"It claims {claimed:,} tracks: the first {looked} were looked at.")
    signs: list[Sign] = []
    apart: list[Disagreement] = []
    try:
        tracks = mediainfo_tracks(path)
    except CannotRead as error:
        tracks = []
        doubts.append(f"MediaInfo could not read it: {error}.")
    second: Demuxed | None = None
    try:
        second = demux(path)
    except CannotRead as error:
        doubts.append(f"It can't be opened for playing: {error}.")
    if second and len(second.audio) > MOST_TRACKS:
        doubts.append(
            f"{len(second.audio):,} sound tracks of it are seen: the first {MOST_TRACKS} are kept."
        )
    general = next((each for each in tracks if each.get("track_type") == "General"), {})
    videos = [each for each in tracks if each.get("track_type") == "Video"]
    images = [each for each in tracks if each.get("track_type") == "Image"]
    sounds = [each for each in tracks if each.get("track_type") == "Audio"]
    if not text(general, "format") and second is None:
        doubts.append("It holds nothing that is known here as picture or sound.")
        return ClipFacts(kind=kind, doubts=tuple(doubts), signs=(Sign.UNKNOWN,))
    with open(path, "rb") as file:
        cut = ends_in_a_packet(file)
    if cut or text(general, "istruncated") == "Yes":
        signs.append(Sign.CLAIMS_MORE)
        doubts.append("The container says more than there is: it may have been cut short.")
    if second is None and text(general, "format") and not videos and not sounds:
        signs.append(Sign.NO_INDEX)
        doubts.append("No index was found: the recording may have been cut off.")
    elif second is None:
        signs.append(Sign.CLOSED_TO_FFMPEG)
    if videos or (second and second.width):
        kind = ClipKind.PICTURE
    elif images and not sounds:  # a cover makes no still of a sound
        kind = ClipKind.STILL
    elif sounds or (second and second.audio):
        kind = ClipKind.SOUND
    picture = (videos or images or [{}])[0]
    facts = _common(general, tracks, sounds, second, apart)
    if kind is not ClipKind.SOUND:
        facts = with_picture_format(facts, picture, second, apart)
    elif sounds:
        facts = replace(
            facts,
            codec=text(sounds[0], "format"),
            duration_seconds=_sound_seconds(sounds[0], second),
        )
    if kind is ClipKind.PICTURE:
        facts = with_timing(path, facts, general, picture, second, doubts, apart)
        facts = with_start_timecode(facts, tracks, picture, second, doubts, apart)
        if second and second.past_end:
            signs.append(Sign.PAST_END)
    apart += container_against_track((picture, *sounds))
    return replace(
        facts,
        kind=kind,
        extra=as_it_came(tracks, second),
        doubts=(*doubts, *map(in_words, apart)),
        disagreements=tuple(apart),
        signs=tuple(signs),
    )


def _common(
    general: Track,
    tracks: Sequence[Track],
    sounds: Sequence[Track],
    second: Demuxed | None,
    apart: list[Disagreement],
) -> ClipFacts:
    tags = second.tags if second else {}
    # MediaInfo's own tracks of camera metadata speak too, after the container's tags.
    more = {
        key: str(value)
        for track in (general, *(each for each in tracks if each.get("track_type") == "Other"))
        for key, value in track.items()
        if not key.startswith("other_") and isinstance(value, str | int)
    }
    said = {**more, **tags}
    container = text(general, "format")
    if container == "MPEG-4":
        container = "MOV" if text(general, "format_profile") == "QuickTime" else "MP4"
    recorded, source = recording_date(general, tags, apart)
    listed = second.audio if second else ()
    audio = tuple(
        _audio(each, listed[number] if len(listed) == len(sounds) else None)
        for number, each in enumerate(sounds)
    )
    return ClipFacts(
        container=container,
        bitrate=whole(general, "overall_bit_rate"),
        audio=(audio or listed)[:MOST_TRACKS],
        camera_make=known_tags.tag(said, known_tags.MAKE),
        camera_model=known_tags.tag(said, known_tags.MODEL),
        camera_serial=known_tags.tag(said, known_tags.SERIAL),
        lens=known_tags.tag(said, known_tags.LENS),
        iso=known_tags.tag(said, known_tags.ISO),
        white_balance=known_tags.tag(said, known_tags.WHITE_BALANCE),
        location=known_tags.tag(said, known_tags.LOCATION),
        reel=known_tags.tag(said, known_tags.REEL),
        sensor_rate=known_tags.rate_of(known_tags.tag(said, known_tags.SENSOR_RATE)),
        recorded=recorded,
        recorded_source=source,
        recorded_zone=known_tags.zone_of(recorded),
    )


def _audio(track: Track, listed: AudioTrack | None) -> AudioTrack:
    return AudioTrack(
        channels=whole(track, "channel_s"),
        sample_rate=whole(track, "sampling_rate"),
        bit_depth=whole(track, "bit_depth"),
        codec=text(track, "format"),
        bitrate=whole(track, "bit_rate") or (listed.bitrate if listed else None),
        name=text(track, "title") or (listed.name if listed else None),
        seconds=_own_seconds(track) or (listed.seconds if listed else None),
    )


def _own_seconds(track: Track) -> Fraction | None:
    milliseconds = fraction(track, "duration")
    return milliseconds / 1000 if milliseconds else None


def _sound_seconds(track: Track, second: Demuxed | None) -> Fraction | None:
    samples, rate = whole(track, "samples_count"), whole(track, "sampling_rate")
    if samples and rate:
        return Fraction(samples, rate)
    if second and second.seconds:
        return second.seconds
    return _own_seconds(track)
