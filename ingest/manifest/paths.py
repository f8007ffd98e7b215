"""What a path in a hash list may be, and what XML can hold of a name."""

from __future__ import annotations

import re

__all__ = ["is_listable", "path_problem"]

_LONGEST = 32_767
"""Characters; no file system in use takes a longer path."""

# Everything that XML 1.0 (fifth edition, section 2.2, production 2) does not call a Char. Bytes
# that are not UTF-8 are lone surrogates here, and fall outside too.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def path_problem(path: str) -> str | None:
    """Why this is no relative path below a folder, or None when it is one.

    ASC MHL v1.0 section 6.4.8: relative, parts divided by `/`, the most direct way, no `..`.
    """
    if not path:
        return "is empty"
    if len(path) > _LONGEST:
        return f"has more than {_LONGEST} characters"
    if "\0" in path:
        return "holds a zero byte"
    if path.startswith("/"):
        return "is absolute"
    parts = path.split("/")
    if ".." in parts:
        return "leaves its folder (..)"
    if "." in parts:
        return "is not the most direct way (.)"
    if "" in parts:
        return "has an empty part"
    return None


def is_listable(text: str) -> bool:
    """True when XML 1.0 in UTF-8 can hold this text exactly.

    Bytes that are not UTF-8, and control characters other than tab, line feed and carriage
    return, can't be held, not even as character references.
    """
    return (text.isascii() and text.isprintable()) or _NOT_XML.search(text) is None
