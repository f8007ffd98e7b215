"""Single values out of strangers' lists: numbers, times, digests. None for what is none."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from typing import TypeAlias

from ingest import checksums

__all__ = ["DIGEST_LENGTHS", "Moment", "digest", "integer", "moment"]

Moment: TypeAlias = datetime | None

DIGEST_LENGTHS = {
    "md5": 32,
    "sha1": 40,
    "sha256": 64,
    "sha512": 128,
    "c4": 90,
    "xxh64": 16,
    "xxh3": 16,
    "xxh128": 32,
}
"""Characters of a digest as text (ASC MHL v1.0 Appendix D, by its examples; FIPS 180-4)."""

_HEXADECIMAL = re.compile("[0-9a-f]+")
_INTEGER = re.compile("[+-]?[0-9]{1,19}")
_MOMENT = re.compile(
    "([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2})"
    r"(?:\.([0-9]{1,32}))?(Z|[+-][0-9]{2}:[0-9]{2})?"
)
_DAY_END = "T24:00:00"
_XML_SPACE = " \t\r\n"


def digest(kind: str, text: str) -> str | None:
    """The digest in the form of `ingest.checksums`, or None when it is none of this kind.

    White space in it is dropped (the standard's own examples break c4 values over lines), and
    hexadecimal may be in any case.
    """
    if len(text) != DIGEST_LENGTHS[kind]:
        text = "".join(text.split(None)) if len(text) < 1000 else ""
    if len(text) != DIGEST_LENGTHS[kind]:
        return None
    if kind == "c4":
        try:
            checksums.c4_to_digest(text)
        except ValueError:
            return None
        return text
    text = text.lower()
    return text if _HEXADECIMAL.fullmatch(text) else None


def integer(text: str | None) -> int | None:
    """An XML Schema integer of at most 19 digits."""
    text = "" if text is None else text.strip(_XML_SPACE)
    return int(text) if _INTEGER.fullmatch(text) else None


def moment(text: str) -> Moment:
    """An XML Schema dateTime in the years 1 to 9999, cut to the microsecond.

    Without a zone where the text has none.
    """
    match = _MOMENT.fullmatch(text.strip(_XML_SPACE))
    if match is None:
        return None
    clock, fraction, zone = match.groups()
    try:
        if clock.endswith(_DAY_END):  # midnight at the end of a day (XML Schema 1.0, 3.2.7.1)
            found = datetime.fromisoformat(clock[:10]) + timedelta(days=1)
        else:
            found = datetime.fromisoformat(clock)
        if fraction and not clock.endswith(_DAY_END):
            found = found.replace(microsecond=int(fraction[:6].ljust(6, "0")))
        return found.replace(tzinfo=_zone(zone)) if zone else found
    except (ValueError, OverflowError):
        return None


def _zone(text: str) -> timezone:
    if text == "Z":
        return UTC
    minutes = int(text[1:3]) * 60 + int(text[4:6])
    if int(text[4:6]) > 59 or minutes > 14 * 60:  # XML Schema 1.0 part 2, 3.2.7.3
        raise ValueError("no zone")
    return timezone(timedelta(minutes=-minutes if text[0] == "-" else minutes))
