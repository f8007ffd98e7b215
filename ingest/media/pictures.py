"""Moving pictures (and sound that isn't Broadcast Wave): MediaInfo's facts, FFmpeg as second view.

MediaInfo names more; FFmpeg's index decides where MediaInfo is known to be wrong: whether the
rate varies (the frames' times decide) and whether frames lie past the end of the file.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, Colour
from ingest.media.opening import CannotRead, Track, mediainfo_tracks, open_media
from ingest.media.rates import Pace, pace
from ingest.media.timecode import BadTimecode, from_label, parse_label
from ingest.media.values import fraction, text, whole

__all__ = ["read_picture"]

_CODECS = {"AVC": "H.264", "JPEG": "MJPEG", "MPEG Video": "MPEG-2"}
_MPEG_1 = "Version 1"

_MAKE = ("com.apple.quicktime.make", "make", "com.android.manufacturer")
_MODEL = ("com.apple.quicktime.model", "model", "com.android.model")
_RECORDED = ("com.apple.quicktime.creationdate", "date", "creation_time")
_LOCATION = ("com.apple.quicktime.location.ISO6709", "location", "location-eng")
_LENS = ("com.apple.quicktime.camera.lens_model", "lens", "lens_model")

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


@dataclass(frozen=True, slots=True)
class _Second:
    """FFmpeg's view of the file; the fields are None where it says nothing."""

    tags: dict[str, str]
    width: int | None = None
    height: int | None = None
    codec: str | None = None
    bit_depth: int | None = None
    seconds: Fraction | None = None
    average_rate: Fraction | None = None
    pace: Pace | None = None
    past_end: int = 0
    frames: int = 0
    audio: tuple[AudioTrack, ...] = ()


def read_picture(path: str | os.PathLike[str], *, kind: ClipKind) -> ClipFacts:
    """Facts of a clip; `kind` is what it is taken for where the content doesn't tell.

    Never raises for what is in the file: doubts say what could not be read.
    """
    doubts: list[str] = []
    try:
        tracks = mediainfo_tracks(path)
    except CannotRead as error:
        tracks = []
        doubts.append(f"MediaInfo could not read it: {error}.")
    second: _Second | None = None
    try:
        second = _second_view(path)
    except CannotRead as error:
        doubts.append(f"It can't be opened for playing: {error}.")
    general = next((each for each in tracks if each.get("track_type") == "General"), {})
    videos = [each for each in tracks if each.get("track_type") == "Video"]
    images = [each for each in tracks if each.get("track_type") == "Image"]
    sounds = [each for each in tracks if each.get("track_type") == "Audio"]
    if not text(general, "format") and second is None:
        doubts.append("It holds nothing that is known here as picture or sound.")
        return ClipFacts(kind=kind, doubts=tuple(doubts))
    if text(general, "istruncated") == "Yes":
        doubts.append("The container says more than there is: it may have been cut short.")
    if second is None and text(general, "format") and not videos and not sounds:
        doubts.append("No index was found: the recording may have been cut off.")
    if videos or (second and second.width):
        kind = ClipKind.PICTURE
    elif images:
        kind = ClipKind.STILL
    elif sounds or (second and second.audio):
        kind = ClipKind.SOUND
    picture = (videos or images or [{}])[0]
    facts = _common(general, sounds, second)
    if kind is not ClipKind.SOUND:
        facts = _picture(facts, picture, second, doubts)
    elif sounds:
        facts = replace(
            facts,
            codec=text(sounds[0], "format"),
            duration_seconds=_sound_seconds(sounds[0], second),
        )
    if kind is ClipKind.PICTURE:
        facts = _timing(facts, general, picture, second, doubts)
        facts = _timecode(facts, tracks, picture, second, doubts)
    return replace(facts, kind=kind, extra=_extra(tracks), doubts=tuple(doubts))


def _second_view(path: str | os.PathLike[str]) -> _Second:
    with open_media(path) as container:
        tags = {key.lower(): value for key, value in container.metadata.items()}
        for stream in container.streams:
            for key in ("timecode", "reel_name"):
                if key in stream.metadata:
                    tags.setdefault(f"stream {key}", stream.metadata[key])
        audio = tuple(
            AudioTrack(
                channels=each.codec_context.channels or None,
                sample_rate=each.codec_context.sample_rate or None,
                codec=each.codec_context.name,
            )
            for each in container.streams.audio
        )
        seconds = Fraction(container.duration, 1_000_000) if container.duration else None
        video = next((each for each in container.streams.video if not _attached(each)), None)
        if video is None:
            return _Second(tags=tags, seconds=seconds, audio=audio)
        context = video.codec_context
        layout = context.format
        if video.duration and video.time_base:
            seconds = video.duration * video.time_base
        entries = [
            (each.timestamp, each.pos + each.size)
            for _, each in zip(range(500_000), video.index_entries, strict=False)
        ]
        times = [each for each, _ in entries]
        size = os.stat(path).st_size
        return _Second(
            tags=tags,
            width=context.width or None,
            height=context.height or None,
            codec=context.name,
            bit_depth=layout.components[0].bits if layout and layout.components else None,
            seconds=seconds,
            average_rate=video.average_rate,
            pace=pace(times, video.time_base) if video.frames and video.time_base else None,
            past_end=sum(end > size for _, end in entries) if video.frames else 0,
            frames=video.frames,
            audio=audio,
        )


def _attached(stream: object) -> bool:
    """Cover art stands as a video stream."""
    return "attached_pic" in str(getattr(stream, "disposition", "")).lower()


def _common(general: Track, sounds: Sequence[Track], second: _Second | None) -> ClipFacts:
    tags = second.tags if second else {}
    container = text(general, "format")
    if container == "MPEG-4":
        container = "MOV" if text(general, "format_profile") == "QuickTime" else "MP4"
    recorded = (
        _tag(tags, _RECORDED[:1])
        or text(general, "recorded_date")
        or _tag(tags, _RECORDED)
        or text(general, "encoded_date")
        or text(general, "tagged_date")
    )
    if recorded and not recorded.strip("0-: .TZUC"):
        recorded = None  # a date field that was left at zero
    audio = tuple(_audio(each) for each in sounds)
    return ClipFacts(
        container=container,
        bitrate=whole(general, "overall_bit_rate"),
        audio=audio or (second.audio if second else ()),
        camera_make=_tag(tags, _MAKE) or text(general, "make"),
        camera_model=_tag(tags, _MODEL) or text(general, "model"),
        lens=_tag(tags, _LENS),
        location=_tag(tags, _LOCATION) or text(general, "recorded_location"),
        reel=tags.get("stream reel_name") or tags.get("reel_name"),
        recorded=recorded,
    )


def _audio(track: Track) -> AudioTrack:
    return AudioTrack(
        channels=whole(track, "channel_s"),
        sample_rate=whole(track, "sampling_rate"),
        bit_depth=whole(track, "bit_depth"),
        codec=text(track, "format"),
    )


def _sound_seconds(track: Track, second: _Second | None) -> Fraction | None:
    samples, rate = whole(track, "samples_count"), whole(track, "sampling_rate")
    if samples and rate:
        return Fraction(samples, rate)
    if second and second.seconds:
        return second.seconds
    milliseconds = fraction(track, "duration")
    return milliseconds / 1000 if milliseconds else None


def _picture(
    facts: ClipFacts, track: Track, second: _Second | None, doubts: list[str]
) -> ClipFacts:
    width, height = whole(track, "width"), whole(track, "height")
    if second and second.width and second.height:
        if width is None or height is None:
            width, height = second.width, second.height
        elif (width, height) != (second.width, second.height):
            doubts.append(
                f"The picture is {width}x{height} by its header, "
                f"{second.width}x{second.height} by its decoder."
            )
    codec = text(track, "format")
    version = text(track, "format_version") or ""
    if codec == "VC-3":
        codec = (text(track, "commercial_name") or "DNxHD").split()[0]
    elif codec == "MPEG Video" and version == _MPEG_1:
        codec = "MPEG-1"
    elif codec:
        codec = _CODECS.get(codec, codec)
    rotation = fraction(track, "rotation")
    return replace(
        facts,
        codec=codec or (second.codec if second else None),
        profile=text(track, "format_profile"),
        width=width,
        height=height,
        bit_depth=whole(track, "bit_depth") or (second.bit_depth if second else None),
        chroma=text(track, "chroma_subsampling"),
        scan=_scan(track),
        rotation=round(rotation) % 360 if rotation is not None else None,
        display_aspect=_aspect(track, width, height),
        hdr=text(track, "hdr_format"),
        colour=Colour(
            primaries=text(track, "color_primaries"),
            transfer=text(track, "transfer_characteristics"),
            matrix=text(track, "matrix_coefficients"),
            range=text(track, "color_range"),
        ),
    )


def _aspect(track: Track, width: int | None, height: int | None) -> Fraction | None:
    if not width or not height:
        return None
    shape = fraction(track, "pixel_aspect_ratio") or Fraction(1)
    # MediaInfo gives three decimals; pixel shapes are ratios of small numbers.
    return Fraction(width, height) * shape.limit_denominator(200)


def _scan(track: Track) -> str | None:
    kind = text(track, "scan_type")
    if kind is None:
        return None
    if kind == "Progressive":
        return "progressive"
    first = {"TFF": "top", "BFF": "bottom"}.get(text(track, "scan_order") or "")
    return f"interlaced, {first} field first" if first else "interlaced"


def _timing(
    facts: ClipFacts, general: Track, track: Track, second: _Second | None, doubts: list[str]
) -> ClipFacts:
    numerator, denominator = whole(track, "framerate_num"), whole(track, "framerate_den")
    rate = Fraction(numerator, denominator) if numerator and denominator else None
    measured = second.pace if second else None
    if measured and measured.varies:
        facts = replace(
            facts, variable_rate=True, lowest_rate=measured.lowest, highest_rate=measured.highest
        )
        rate = measured.usual
    elif measured:
        if rate is None or not measured.agrees(rate):
            rate = measured.usual
    elif rate is None:
        if text(track, "frame_rate_mode") == "VFR":
            facts = replace(
                facts,
                variable_rate=True,
                lowest_rate=fraction(track, "minimum_frame_rate"),
                highest_rate=fraction(track, "maximum_frame_rate"),
            )
        rate = (second.average_rate if second else None) or fraction(track, "frame_rate")
    frames = whole(track, "frame_count") or (second.frames if second else None) or None
    milliseconds = fraction(track, "duration") or fraction(general, "duration")
    stated = milliseconds / 1000 if milliseconds else None
    if second and second.seconds:
        stated = second.seconds
    seconds = stated
    if rate and frames and not facts.variable_rate:
        counted = frames / rate
        if stated is None or abs(counted - stated) <= max(2 / rate, Fraction(1, 20)):
            seconds = counted
        else:
            doubts.append(
                f"It holds {frames} frames, {float(counted):.3f} s, "
                f"but says that it lasts {float(stated):.3f} s."
            )
    elif rate and seconds and frames is None:
        frames = round(seconds * rate)
    if second and second.past_end:
        doubts.append(
            f"{second.past_end} of {second.frames} frames lie past the end of the file: "
            "it was cut short."
        )
    sensor = fraction(track, "framerate_original") or fraction(track, "frame_rate_original")
    return replace(
        facts,
        frame_rate=rate,
        duration_frames=frames,
        duration_seconds=seconds,
        sensor_rate=sensor if sensor and rate and abs(sensor - rate) > rate / 100 else None,
    )


def _timecode(
    facts: ClipFacts,
    tracks: Sequence[Track],
    picture: Track,
    second: _Second | None,
    doubts: list[str],
) -> ClipFacts:
    found: list[tuple[str, str, Fraction | None]] = []
    for track in tracks:
        label = text(track, "time_code_of_first_frame")
        if label and track.get("track_type") == "Other":
            numerator, denominator = whole(track, "framerate_num"), whole(track, "framerate_den")
            rate = Fraction(numerator, denominator) if numerator and denominator else None
            if text(track, "timecode_dropframe") == "Yes":
                label = f"{label[:8]};{label[9:]}"
            found.append((label, "track", rate))
    if not found and second:
        label = second.tags.get("stream timecode") or second.tags.get("timecode") or ""
        # The GOP header of MPEG video always holds a time; zero there is none.
        if label and not (label == "00:00:00:00" and "MPEG" in (text(picture, "format") or "")):
            found.append((label, "container", None))
    if not found:
        return facts
    label, source, rate = found[0]
    differing = sorted({each for each, _, _ in found} - {label})
    if differing:
        doubts.append(f"Its timecode tracks disagree: {label}, but also {', '.join(differing)}.")
    if rate and facts.frame_rate and abs(rate - facts.frame_rate) * 200 > rate:
        doubts.append(f"Its timecode counts at {rate}, its picture runs at {facts.frame_rate}.")
    rate = rate or facts.frame_rate
    try:
        label = from_label(label, rate).label if rate else label
    except BadTimecode as error:
        try:
            parse_label(label)
        except BadTimecode:
            doubts.append(f"Its timecode can't be read: {error}.")
            return facts
        doubts.append(f"Its timecode is doubtful: {error}.")
    return replace(facts, start_timecode=label, timecode_source=source)


def _tag(tags: dict[str, str], names: Sequence[str]) -> str | None:
    for name in names:
        value = tags.get(name.lower(), "").strip()
        if value:
            return value
    return None


def _extra(tracks: Sequence[Track]) -> dict[str, str]:
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
    return kept
