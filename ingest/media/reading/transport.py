"""Transport streams: whether the last packet is whole.

Packets have 188 bytes and begin with 47h (ISO/IEC 13818-1, 2.4.3.2); cameras that record onto cards
put four bytes of a clock before each (192, common practice, no source). Such a stream has no end of
its own, so a packet cut in two is the only sign in it that a copy or recording broke off.
"""

from __future__ import annotations

import os
from typing import BinaryIO

__all__ = ["ends_in_a_packet"]

_SYNC = 0x47
_FORMS = ((188, 0), (192, 4))
"""Length of a packet, and where in it the sync byte stands."""
_ENOUGH = 5


def ends_in_a_packet(file: BinaryIO) -> bool:
    """Whether the file is a transport stream whose last packet is cut. Raises OSError."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(_ENOUGH * _FORMS[-1][0])
    for length, sync in _FORMS:
        places = range(sync, min(len(head), _ENOUGH * length), length)
        if len(places) > 1 and all(head[place] == _SYNC for place in places):
            return size % length != 0
    return False
