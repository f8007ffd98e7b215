"""When a clip was recorded, as its file has it written, and by which field."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from ingest.media.facts import Disagreement
from ingest.media.opening import Track
from ingest.media.reading.values import text

__all__ = ["recording_date"]

# Local time with its zone before UTC: what a camera's clock said.
_RECORDED_LOCALLY = "com.apple.quicktime.creationdate"


def recording_date(
    general: Track, tags: dict[str, str], apart: list[Disagreement]
) -> tuple[str | None, str | None]:
    """The date as written and the field that it stands in; (None, None) where zeros stand for it.

    `general` is MediaInfo's track of that name, `tags` are FFmpeg's, keys in lower case. Two dates
    more than a day apart go into `apart`.
    """
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
