"""Facts of a clip as plain JSON, and back: what the catalog keeps and reports hand out.

Fractions stand as text, `24000/1001`. Keys that a newer version added are ignored; keys that
an older version didn't write yet take their default.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from fractions import Fraction
from typing import Any, TypeVar

from ingest.media.facts import (
    AudioTrack,
    ClipFacts,
    ClipKind,
    Colour,
    Disagreement,
    Sign,
    SoundNotes,
)

__all__ = ["facts_from_json", "facts_to_json"]

_T = TypeVar("_T", AudioTrack, ClipFacts, Colour, Disagreement, SoundNotes)


def facts_to_json(facts: ClipFacts) -> dict[str, object]:
    """The facts as a dict that `json.dumps` takes: every field, in the order of the class."""
    plain = _plain(facts)
    assert isinstance(plain, dict)
    return plain


def facts_from_json(document: Mapping[str, object]) -> ClipFacts:
    """The facts again; the inverse of `facts_to_json`.

    Raises ValueError where a known key holds something that it can't hold.
    """
    return _built(ClipFacts, document)


def _plain(value: object) -> object:
    if isinstance(value, ClipKind | Sign):
        return value.value
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    if isinstance(value, AudioTrack | ClipFacts | Colour | Disagreement | SoundNotes):
        return {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    return value


def _built(kind: type[_T], document: object) -> _T:
    if not isinstance(document, Mapping):
        raise ValueError(f"{kind.__name__}: a JSON object is needed, not {document!r}")
    values: dict[str, Any] = {}
    for each in fields(kind):
        value = document.get(each.name)
        if value is None:
            continue  # absent or null: the default, which is None wherever null can be written
        try:
            values[each.name] = _READERS[str(each.type)](value)
        except (TypeError, ValueError, ZeroDivisionError) as error:
            raise ValueError(f"{kind.__name__}.{each.name}: {value!r} ({error})") from error
    return kind(**values)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("text is needed")
    return value


def _whole(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError("a whole number is needed")
    return value


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise TypeError("true or false is needed")
    return value


def _fraction(value: object) -> Fraction:
    return Fraction(_text(value))


def _kind(value: object) -> ClipKind:
    text = _text(value)
    try:
        return ClipKind(text)
    except ValueError:
        return ClipKind.OTHER  # a kind that a newer version knows


def _list(value: object) -> list[object]:
    if not isinstance(value, list | tuple):
        raise TypeError("a list is needed")
    return list(value)


def _texts(value: object) -> tuple[str, ...]:
    return tuple(_text(each) for each in _list(value))


def _tracks(value: object) -> tuple[AudioTrack, ...]:
    return tuple(_built(AudioTrack, each) for each in _list(value))


def _disagreements(value: object) -> tuple[Disagreement, ...]:
    return tuple(_built(Disagreement, each) for each in _list(value))


def _signs(value: object) -> tuple[Sign, ...]:
    known = {each.value for each in Sign}
    return tuple(Sign(text) for text in _texts(value) if text in known)


def _named_texts(value: object) -> dict[str, str]:
    if not isinstance(value, Mapping):
        raise TypeError("an object is needed")
    return {_text(key): _text(each) for key, each in value.items()}


# By the annotation as it stands in facts.py: a new field of a known type needs nothing here.
_READERS: dict[str, Callable[[object], object]] = {
    "str | None": _text,
    "int | None": _whole,
    "bool": _flag,
    "bool | None": _flag,
    "Fraction | None": _fraction,
    "ClipKind": _kind,
    "Colour": lambda value: _built(Colour, value),
    "SoundNotes | None": lambda value: _built(SoundNotes, value),
    "tuple[AudioTrack, ...]": _tracks,
    "tuple[Disagreement, ...]": _disagreements,
    "tuple[Sign, ...]": _signs,
    "tuple[str, ...]": _texts,
    "str": _text,
    "Mapping[str, str]": _named_texts,
}
