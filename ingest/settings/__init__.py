"""`ingest.toml`: what the production is, read strictly. An option beats it."""

from __future__ import annotations

from ingest.settings.reading import FILE, find_settings, parse_settings, read_settings
from ingest.settings.values import (
    LAYOUT,
    DeviceSettings,
    DriveSettings,
    PolicySettings,
    Settings,
    shoot_date,
)

__all__ = [
    "FILE",
    "LAYOUT",
    "DeviceSettings",
    "DriveSettings",
    "PolicySettings",
    "Settings",
    "find_settings",
    "parse_settings",
    "read_settings",
    "shoot_date",
]
