"""The machine's time zone by its name in the IANA database, where the system tells it."""

from __future__ import annotations

import os
import zoneinfo
from collections.abc import Mapping

__all__ = ["zone_name"]

_LOCAL = "/etc/localtime"


def zone_name(environment: Mapping[str, str], local: str = _LOCAL) -> str | None:
    """From TZ, else from where `local` links to (Linux, macOS); None where neither tells.

    The link into the zone database is a convention of systemd (localtime(5)) and macOS.
    """
    told = environment.get("TZ", "").removeprefix(":")
    if not told:
        path = os.path.realpath(local)
        told = path.partition("zoneinfo/")[2].removeprefix("posix/") if "zoneinfo/" in path else ""
    try:
        return told if told and zoneinfo.ZoneInfo(told) else None
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return None
