"""At which rates the timecode in a log may count: SMPTE ST 12-1, frames from 0 to rate - 1."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from ingest.media.timecode import BadTimecode, nominal
from ingest.slate.names import camera_key

__all__ = ["LabelRates"]


@dataclass(frozen=True, slots=True)
class LabelRates:
    """Frames a second, as ingest.toml tells them."""

    project: Fraction | None = None
    devices: Mapping[str, Fraction] = field(default_factory=dict)
    """By letter, those that say a rate of their own."""

    def highest(self, cameras: Sequence[str | None]) -> int | None:
        """The most labels a second that a row of these cameras may count, None where it isn't
        known. A row may bear the project's timecode or its camera's; one without a camera
        anybody's."""
        if self.project is None:
            return None
        keys = {camera_key(name) for name in cameras if name}
        own = [
            rate for letter, rate in self.devices.items() if not keys or camera_key(letter) in keys
        ]
        try:
            return max(nominal(rate) for rate in (self.project, *own))
        except BadTimecode:
            return None
