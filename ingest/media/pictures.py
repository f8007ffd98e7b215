"""Moving pictures (and sound that isn't Broadcast Wave): MediaInfo's facts, FFmpeg as second view.

MediaInfo names more; FFmpeg's index decides where MediaInfo is known to be wrong: whether the
rate varies (the frames' times decide) and whether frames lie past the end of the file.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction

from av.video.codeccontext import VideoCodecContext

from ingest.media import tags as known_tags
from ingest.media.claims import MOST_TRACKS
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, Colour, Disagreement, Sign
from ingest.media.opening import (
    CannotRead,
    Track,
    attached,
    claimed_tracks,
    mediainfo_tracks,
    open_media,
)
from ingest.media.rates import Pace, pace
from ingest.media.timecode import BadTimecode, from_label, parse_label
from ingest.media.values import clean, fraction, text, whole

__all__ = ["read_picture"]

_CODECS = {"AVC": "H.264", "JPEG": "MJPEG", "MPEG Video": "MPEG-2"}
_MPEG_1 = "Version 1"

# Local time with its zone before UTC: what a camera's clock said.
_RECORDED_LOCALLY = "com.apple.quicktime.creationdate"

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
_PACED = 64
_REORDERED = 16
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
    Raises OSError where the file can't be read.
    """
    claimed = claimed_tracks(path)
    doubts: list[str] = []
    if claimed > MOST_TRACKS:
        doubts.append(f"It claims {claimed:,} tracks: the first {MOST_TRACKS} were looked at.")
    signs: list[Sign] = []
    apart: list[Disagreement] = []
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
        return ClipFacts(kind=kind, doubts=tuple(doubts), signs=(Sign.UNKNOWN,))
    if text(general, "istruncated") == "Yes":
        signs.append(Sign.CLAIMS_MORE)
        doubts.append("The container says more than there is: it may have been cut short.")
    if second is None and text(general, "format") and not videos and not sounds:
        signs.append(Sign.NO_INDEX)
        doubts.append("No index was found: the recording may have been cut off.")
    elif second is None:
        signs.append(Sign.CLOSED_TO_FFMPEG)
    if videos or (second and second.width):
        kind = ClipKind.PICTURE
    elif images:
        kind = ClipKind.STILL
    elif sounds or (second and second.audio):
        kind = ClipKind.SOUND
    picture = (videos or images or [{}])[0]
    facts = _common(general, tracks, sounds, second, apart)
    if kind is not ClipKind.SOUND:
        facts = _picture(facts, picture, second, apart)
    elif sounds:
        facts = replace(
            facts,
            codec=text(sounds[0], "format"),
            duration_seconds=_sound_seconds(sounds[0], second),
        )
    if kind is ClipKind.PICTURE:
        facts = _timing(path, facts, general, picture, second, doubts, apart)
        facts = _timecode(facts, tracks, picture, second, doubts, apart)
        if second and second.past_end:
            signs.append(Sign.PAST_END)
    apart += _container_against_track((picture, *sounds))
    return replace(
        facts,
        kind=kind,
        extra=_extra(tracks, second),
        doubts=(*doubts, *map(_said, apart)),
        disagreements=tuple(apart),
        signs=tuple(signs),
    )


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


def _container_against_track(tracks: Sequence[Track]) -> list[Disagreement]:
    found = []
    for track in tracks:
        for key, what in _ORIGINALS.items():
            container, own = text(track, key), text(track, f"{key}_original")
            if container and own and container != own:
                values = {"container": container, "track": own}
                found.append(Disagreement(what, values, "container"))
    return found


def _said(apart: Disagreement) -> str:
    values = ", ".join(f"{value} by its {source}" for source, value in apart.values.items())
    taken = f"; its {apart.taken} is taken" if apart.taken else ""
    return f"Two sources disagree on its {apart.what}: {values}{taken}."


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
                bitrate=each.codec_context.bit_rate or None,
                name=each.metadata.get("title"),
            )
            for each in container.streams.audio
            if each.codec_context is not None  # no decoder for it here
        )
        seconds = Fraction(container.duration, 1_000_000) if container.duration else None
        video = next((each for each in container.streams.video if not attached(each)), None)
        if video is None:
            return _Second(tags=tags, seconds=seconds, audio=audio)
        context: VideoCodecContext | None = video.codec_context
        if context is None:  # no decoder for it here
            return _Second(tags=tags, seconds=seconds, audio=audio)
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


def _common(
    general: Track,
    tracks: Sequence[Track],
    sounds: Sequence[Track],
    second: _Second | None,
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
    recorded, source = _recorded(general, tags, apart)
    listed = second.audio if second else ()
    audio = tuple(
        _audio(each, listed[number] if len(listed) == len(sounds) else None)
        for number, each in enumerate(sounds)
    )
    return ClipFacts(
        container=container,
        bitrate=whole(general, "overall_bit_rate"),
        audio=audio or listed,
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


def _recorded(
    general: Track, tags: dict[str, str], apart: list[Disagreement]
) -> tuple[str | None, str | None]:
    """The date as written and the field that it stands in. Zeros are no date."""
    created = tags.get("creation_time", "")
    dates = {
        _RECORDED_LOCALLY: tags.get(_RECORDED_LOCALLY),
        "recorded_date": text(general, "recorded_date"),
        "date": tags.get("date"),
        # FFmpeg takes a clock that was never set for one that counts from 1970, by heuristic; the
        # standard's count begins in 1904 (ISO/IEC 14496-12), as MediaInfo has it.
        **({} if created.startswith("1970-") else {"creation_time": created}),
        "encoded_date": text(general, "encoded_date"),
        "tagged_date": text(general, "tagged_date"),
    }
    written = {key: value.strip() for key, value in dates.items() if value and not _is_zero(value)}
    if not written:
        return None, None
    source, first = next(iter(written.items()))
    stamps = {key: _instant(value) for key, value in written.items()}
    for key, value in written.items():
        one, other = stamps[source], stamps[key]
        if one and other and abs(one - other) > timedelta(days=1):
            apart.append(Disagreement("recording date", {source: first, key: value}, source))
            break
    return first, source


def _is_zero(written: str) -> bool:
    """Whether a date was left at zero, in digits or where a clock's count begins."""
    digits = written.strip().removesuffix("UTC").strip().removesuffix("Z").rstrip("0:.T -")
    return digits in ("", "1970-01-01", "1904-01-01")


def _instant(written: str) -> datetime | None:
    """To compare with; one without zone counts as UTC, which may be half a day off."""
    text_ = written.removesuffix("UTC").strip()
    try:
        found = datetime.fromisoformat(text_)
    except ValueError:
        return None
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found


def _audio(track: Track, listed: AudioTrack | None) -> AudioTrack:
    return AudioTrack(
        channels=whole(track, "channel_s"),
        sample_rate=whole(track, "sampling_rate"),
        bit_depth=whole(track, "bit_depth"),
        codec=text(track, "format"),
        bitrate=whole(track, "bit_rate") or (listed.bitrate if listed else None),
        name=text(track, "title") or (listed.name if listed else None),
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
    facts: ClipFacts, track: Track, second: _Second | None, apart: list[Disagreement]
) -> ClipFacts:
    width, height = whole(track, "width"), whole(track, "height")
    if second and second.width and second.height:
        if width is None or height is None:
            width, height = second.width, second.height
        elif (width, height) != (second.width, second.height):
            own = f"{second.width}x{second.height}"
            values = {"header": f"{width}x{height}", "decoder": own}
            apart.append(Disagreement("size", values, "header"))
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


def _pace_of_packets(path: str | os.PathLike[str]) -> Pace | None:
    """The pace of the first frames, where a container has no index of them."""
    try:
        with open_media(path) as container:
            video = next((each for each in container.streams.video if not attached(each)), None)
            if video is None or not video.time_base:
                return None
            packets = zip(range(_PACED), container.demux(video), strict=False)
            times = sorted(packet.pts for _, packet in packets if packet.pts is not None)
            # Frames shown before the last ones that were read may not have come yet.
            whole = times if len(times) < _PACED - 1 else times[:-_REORDERED]
            return pace(whole, video.time_base)
    except CannotRead:
        return None


def _timing(
    path: str | os.PathLike[str],
    facts: ClipFacts,
    general: Track,
    track: Track,
    second: _Second | None,
    doubts: list[str],
    apart: list[Disagreement],
) -> ClipFacts:
    numerator, denominator = whole(track, "framerate_num"), whole(track, "framerate_den")
    rate = Fraction(numerator, denominator) if numerator and denominator else None
    measured = second.pace if second else None
    if measured is None and second and text(track, "frame_rate_mode") == "VFR":
        # MediaInfo says so of every H.264 stream that doesn't promise otherwise: look at the times.
        measured = _pace_of_packets(path)
    if measured and measured.varies:
        facts = replace(
            facts, variable_rate=True, lowest_rate=measured.lowest, highest_rate=measured.highest
        )
        rate = measured.usual
    elif measured:
        if rate is not None and not measured.agrees(rate):
            values = {"header": str(rate), "frames' times": str(measured.usual)}
            apart.append(Disagreement("frame rate", values, "frames' times"))
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
            values = {
                "frames": f"{float(counted):.3f} s ({frames} frames)",
                "header": f"{float(stated):.3f} s",
            }
            apart.append(Disagreement("length", values, "header"))
    elif rate and seconds and frames is None:
        frames = round(seconds * rate)
    if second and second.past_end:
        doubts.append(
            f"{second.past_end} of {second.frames} frames lie past the end of the file: "
            "it was cut short."
        )
    return replace(facts, frame_rate=rate, duration_frames=frames, duration_seconds=seconds)


def _timecode(
    facts: ClipFacts,
    tracks: Sequence[Track],
    picture: Track,
    second: _Second | None,
    doubts: list[str],
    apart: list[Disagreement],
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
        values = {"first track": label, "other tracks": ", ".join(differing)}
        apart.append(Disagreement("timecode", values, "first track"))
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
    return replace(
        facts,
        start_timecode=label,
        timecode_source=source,
        drop_frame=label[-3:-2] in (";", "."),
    )


def _extra(tracks: Sequence[Track], second: _Second | None) -> dict[str, str]:
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
