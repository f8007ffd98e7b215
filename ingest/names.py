"""Names that someone else chose: kept exactly, shown safely.

Inside the program a path is `str` as Python makes it from bytes (UTF-8, undecodable bytes as
lone surrogates), POSIX, relative to its root. `to_bytes` gives the exact bytes back.
"""

from __future__ import annotations

import shlex
import unicodedata
from collections.abc import Container, Iterator

__all__ = ["from_bytes", "path_ends", "shown", "to_bytes", "typed"]

_NAMED = {"\n": "\\n", "\r": "\\r", "\t": "\\t", "\\": "\\\\"}

# Characters that turn the reading direction can make a name look like another one.
_DIRECTION = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u061c")


def to_bytes(name: str) -> bytes:
    """The exact bytes of a name, as they stand on the medium."""
    return name.encode("utf-8", "surrogateescape")


def from_bytes(raw: bytes) -> str:
    """The name for exact bytes; `to_bytes` is its inverse for any bytes."""
    return raw.decode("utf-8", "surrogateescape")


def path_ends(path: str) -> Iterator[str]:
    """A path, and what it is called from each folder below the top, the longest first."""
    yield path
    while "/" in path:
        path = path.partition("/")[2]
        yield path


def shown(name: str, also: Container[str] = ()) -> str:
    """The name made safe for a screen, a page or a log.

    Control and direction characters and bytes that are not UTF-8 become visible escapes
    (`\\n`, `\\x1b`, `\\u202e`, `\\xff`); everything else stays as it is. A backslash is doubled
    only where the name holds something escaped, so ordinary names read as they are.
    Characters `also` to be escaped are those that the place where it is shown can't draw; only
    characters beyond ASCII can be.
    """
    if name.isascii() and name.isprintable():
        return name
    parts = [
        _escaped(character)
        if not character.isascii() and character in also
        else _shown_character(character)
        for character in name
    ]
    if all(part == character for part, character in zip(parts, name, strict=True)):
        return name
    return "".join("\\\\" if part == "\\" else part for part in parts)


def typed(name: str) -> str:
    """The name in a command that somebody is told to type: one word, as a shell takes it, and as
    safe to show as `shown` makes it."""
    return shlex.quote(shown(name))


def _shown_character(character: str) -> str:
    code = ord(character)
    if character in "\n\r\t":
        return _NAMED[character]
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    if code < 0x20 or 0x7F <= code < 0xA0:
        return f"\\x{code:02x}"
    if character in _DIRECTION or unicodedata.category(character) in ("Cs", "Zl", "Zp"):
        return _escaped(character)
    return character


def _escaped(character: str) -> str:
    code = ord(character)
    return f"\\U{code:08x}" if code > 0xFFFF else f"\\u{code:04x}"
