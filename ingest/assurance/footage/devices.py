"""Which device made a clip."""

from __future__ import annotations

import re

from ingest.catalog.records import Roll

__all__ = ["device_of"]

_LETTERS = re.compile(r"([^\W\d_]{1,8})[ _-]?\d", re.ASCII)


def device_of(roll: Roll) -> str:
    """The letter of the camera or recorder that a roll came from, capitals; empty: not known.

    The roll's camera, else the letters that its name begins with (`S001`), as rolls are named
    (common practice, no source).
    """
    if roll.camera:
        return roll.camera.upper()
    found = _LETTERS.match(roll.name)
    return found[1].upper() if found else ""
