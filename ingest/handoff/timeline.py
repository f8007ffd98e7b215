"""The clips as OpenTimelineIO, the open form that editing systems read. Pure.

Written here, not by the `opentimelineio` library: the form is plain JSON whose schemas are
published (OpenTimelineIO documentation, "Serialized Data Documentation"), the library is compiled
code that would have to be there on every cart, and six small schemas are all that is needed. The
tests read every file back with that library, and it is the judge.

Pictures lie end to end on one track, sound on another, each at its own rate; nothing is cut. A
`RationalTime` is a count and a rate; the rate as a number is the nearest double, so the exact
fraction stands in each clip's metadata.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ingest.handoff.selection import HandedClip, Part, Span
from ingest.names import shown

__all__ = ["to_otio"]


def to_otio(clips: Sequence[HandedClip], name: str) -> bytes:
    """The file. Parts without a known length can't lie on a timeline and are not in it."""
    picture = [one for clip in clips if not clip.is_sound for one in _parts(clip)]
    sound = [one for clip in clips if clip.is_sound for one in _parts(clip)]
    tracks = [
        _track(title, kind, children)
        for title, kind, children in (("Picture", "Video", picture), ("Sound", "Audio", sound))
        if children
    ]
    timeline: dict[str, Any] = {
        "OTIO_SCHEMA": "Timeline.1",
        "name": shown(name),
        "global_start_time": None,
        "tracks": {
            "OTIO_SCHEMA": "Stack.1",
            "name": "tracks",
            "source_range": None,
            "effects": [],
            "markers": [],
            "enabled": True,
            "metadata": {},
            "children": tracks,
        },
        "metadata": {},
    }
    return json.dumps(timeline, indent=2).encode("ascii") + b"\n"


def _track(name: str, kind: str, children: Sequence[dict[str, Any]]) -> dict[str, Any]:
    return {
        "OTIO_SCHEMA": "Track.1",
        "name": name,
        "kind": kind,
        "source_range": None,
        "effects": [],
        "markers": [],
        "enabled": True,
        "metadata": {},
        "children": list(children),
    }


def _parts(clip: HandedClip) -> list[dict[str, Any]]:
    many = len(clip.parts)
    return [
        _clip(clip, part, part.span, f"{number} of {many}" if many > 1 else "")
        for number, part in enumerate(clip.parts, start=1)
        if part.span is not None
    ]


def _clip(clip: HandedClip, part: Part, span: Span, which: str) -> dict[str, Any]:
    name = shown(f"{clip.name} ({which})" if which else clip.name)
    return {
        "OTIO_SCHEMA": "Clip.2",
        "name": name,
        "source_range": None,
        "effects": [],
        "markers": [],
        "enabled": True,
        "active_media_reference_key": "DEFAULT_MEDIA",
        "media_references": {"DEFAULT_MEDIA": _media(part, span)},
        "metadata": {"ingest": _about(clip, part, span)},
    }


def _media(part: Part, span: Span) -> dict[str, Any]:
    reference: dict[str, Any] = {
        "OTIO_SCHEMA": "ExternalReference.1" if part.place else "MissingReference.1",
        "name": shown(part.file.rpartition("/")[2]),
        "available_range": {
            "OTIO_SCHEMA": "TimeRange.1",
            "start_time": _time(span.start, span),
            "duration": _time(span.length, span),
        },
        "available_image_bounds": None,
        "metadata": {},
    }
    if part.place:
        # The name's exact bytes, percent-encoded (RFC 8089): it may be no text at all.
        reference["target_url"] = Path(part.place).as_uri()
    return reference


def _time(count: int, span: Span) -> dict[str, Any]:
    return {"OTIO_SCHEMA": "RationalTime.1", "value": float(count), "rate": float(span.rate)}


def _about(clip: HandedClip, part: Part, span: Span) -> dict[str, Any]:
    facts, roll = clip.clip.facts, clip.clip.roll
    first = clip.takes[0] if clip.takes else None
    about: dict[str, Any] = _said(
        {
            "clip": clip.clip.full_name,
            "production": roll.production,
            "day": roll.day,
            "camera": roll.camera,
            "scene": first.scene if first else None,
            "take": first.take if first else None,
            "shot": first.shot if first else None,
            "rating": first.rating.value if first and first.rating else None,
            "takes": [
                {
                    "scene": link.scene,
                    "take": link.take,
                    "shot": link.shot,
                    "rating": link.rating.value if link.rating else None,
                    "sure": link.sure.value,
                    "note": link.note,
                }
                for link in clip.takes
            ],
            "start_timecode": facts.start_timecode,
            "frame_rate": str(facts.frame_rate) if facts.frame_rate is not None else None,
            "rate": str(span.rate),
            "codec": facts.codec,
            "width": facts.width,
            "height": facts.height,
            "file": part.file,
            "drive": part.drive or None,
            "copy": part.state,
        }
    )
    return about


def _said(value: Any) -> Any:
    """Every text shown safely: a lone surrogate is no JSON text to others (RFC 8259, 8.2)."""
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, dict):
        return {key: _said(each) for key, each in value.items()}
    return [_said(each) for each in value] if isinstance(value, list) else value
