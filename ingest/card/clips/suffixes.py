"""What companions add to the stem of their clip. Common practice, no source."""

from __future__ import annotations

import re

__all__ = ["CHANNEL_FILE", "LETTER_SUFFIX", "WORD_SUFFIX"]

LETTER_SUFFIX = re.compile(r"(.+)[A-Z]\d\d", re.IGNORECASE | re.ASCII | re.DOTALL)
"""One letter and two digits: `C0001M01`."""
WORD_SUFFIX = re.compile(
    r"(.+)[_. -](?:proxy|prx|thumb|thumbnail|preview|meta|metadata|lut|sub|audio)",
    re.IGNORECASE | re.ASCII | re.DOTALL,
)
CHANNEL_FILE = re.compile(r"(.+)\d\d", re.ASCII | re.DOTALL)
"""One sound channel's file in a folder AUDIO."""
