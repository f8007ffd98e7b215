"""Names of a still camera's folders and files: CIPA DC-009, as summarised publicly.

Compared without case.
"""

from __future__ import annotations

import re

__all__ = ["dcf_part", "is_dcf_folder", "is_dcf_name"]

_FOLDER = re.compile(r"[1-9][0-9]{2}[0-9A-Z_]{5}", re.IGNORECASE | re.ASCII)
_NAME = re.compile(r"([0-9A-Z_]{4})((?!0000)[0-9]{4})", re.IGNORECASE | re.ASCII)
_PART = re.compile(r"([0-9A-Z_]{2})(\d\d)(\d{4})", re.IGNORECASE | re.ASCII)


def is_dcf_folder(name: str) -> bool:
    """Whether this is the name of a DCF image folder: `100ABCDE` (CIPA DC-009)."""
    return _FOLDER.fullmatch(name) is not None


def is_dcf_name(stem: str) -> bool:
    """Whether this is the name of a DCF object, without its ending: `ABCD0001` (CIPA DC-009)."""
    return _NAME.fullmatch(stem) is not None


def dcf_part(stem: str) -> tuple[str, int] | None:
    """What the parts of one DCF object share, and which part this is: `AB010042` is (AB*0042, 1).

    One number in a folder is one object (CIPA DC-009); that the free characters count its parts is
    a habit (common practice, no source).
    """
    match = _PART.fullmatch(stem)
    return (f"{match[1]}*{match[3]}", int(match[2])) if match else None
