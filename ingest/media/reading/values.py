"""Values out of MediaInfo's tracks: numbers come as int or as text, and text can be anything."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

__all__ = ["clean", "fraction", "text", "whole"]

_LARGEST = 10**18


def clean(value: str) -> str:
    """Text as it came, without NULs and half surrogates, which no catalog or page can hold."""
    return value.replace("\0", "").encode("utf-8", "replace").decode("utf-8").strip()


def text(track: Mapping[str, Any], key: str) -> str | None:
    """The key's value as text; None where it is absent or empty."""
    value = track.get(key)
    if value is None or isinstance(value, list | dict):
        return None
    return clean(str(value)) or None


def fraction(track: Mapping[str, Any], key: str) -> Fraction | None:
    """The key's value as a number; None where it is absent, no number, or beyond belief."""
    written = text(track, key)
    if written is None:
        return None
    try:
        value = Fraction(written[:40])
    except (ValueError, ZeroDivisionError):
        return None
    return value if abs(value) < _LARGEST else None


def whole(track: Mapping[str, Any], key: str) -> int | None:
    """The key's value as a whole number from 0; None where it is absent or none."""
    value = fraction(track, key)
    return int(value) if value is not None and value >= 0 else None
