"""What differs between operating systems, behind one set of functions.

| function                | promise                                                            |
| ----------------------- | ------------------------------------------------------------------ |
| `boot_id()`             | changes when the machine starts anew                               |
| `open_cold(...)`        | a descriptor whose reads go past the cache where that can be had   |
| `open_direct(...)`      | a new file whose aligned writes go past the cache where possible   |
| `flush(fd)`             | data and length on the medium, the device's own cache included     |
| `flush_range(fd)`       | the same for data alone, for a file still growing                  |
| `flush_volume(fd)`      | everything written to that file system is on the medium            |
| `drop_cache(fd)`        | clean pages of this file leave memory, as far as one may ask       |
| `preallocate(fd, size)` | room is reserved, length unchanged; a refusal is no error          |
| `rename_new(...)`       | a rename that never replaces; says whether that was atomic         |
| `fs_uuid(fd)`           | identity of the file system below a folder, or None                |
| `mounts()`              | every mounted file system, with the whole disks behind it          |
| `mount_of(fd, root)`    | the one that an open folder lies on                                |
| `read_counter(disks)`   | bytes that these disks have delivered, or None: the witness        |
| `through_cache(fd)`     | what this descriptor transfers goes through the page cache from now on |
| `waited_s(pid)`         | seconds that a process was ready to work and got no processor      |
| `lacking()`             | what keeps the engine from running on this system, or None         |

`posix_files` holds flags and positioned reads and writes under their POSIX names, `awake` keeps
the machine from sleeping. Linux is run for real; macOS and Windows are written from their
published interfaces and tested against fakes of the calls they make.

What no program can promise: a device that says "flushed" and lies is believed until its
copy is read again.
"""

from __future__ import annotations

import sys

from ingest.platforms.mount import Mount

_LACKING: str | None = None

if sys.platform == "linux":
    from ingest.platforms.linux import (
        boot_id,
        drop_cache,
        flush,
        flush_range,
        flush_volume,
        fs_uuid,
        mount_of,
        mounts,
        open_cold,
        open_direct,
        preallocate,
        read_counter,
        rename_new,
        through_cache,
        waited_s,
    )
elif sys.platform == "darwin":
    from ingest.platforms.macos import (
        boot_id,
        drop_cache,
        flush,
        flush_range,
        flush_volume,
        fs_uuid,
        mount_of,
        mounts,
        open_cold,
        open_direct,
        preallocate,
        read_counter,
        rename_new,
        through_cache,
        waited_s,
    )
elif sys.platform == "win32":
    from ingest.platforms.windows import LACKING as _LACKING
    from ingest.platforms.windows import (
        boot_id,
        drop_cache,
        flush,
        flush_range,
        flush_volume,
        fs_uuid,
        mount_of,
        mounts,
        open_cold,
        open_direct,
        preallocate,
        read_counter,
        rename_new,
        through_cache,
        waited_s,
    )
else:
    raise ImportError(f"This program doesn't run on {sys.platform} yet.")


def lacking() -> str | None:
    """A sentence naming what keeps the engine from running on this system, or None."""
    return _LACKING


__all__ = [
    "Mount",
    "boot_id",
    "drop_cache",
    "flush",
    "flush_range",
    "flush_volume",
    "fs_uuid",
    "lacking",
    "mount_of",
    "mounts",
    "open_cold",
    "open_direct",
    "preallocate",
    "read_counter",
    "rename_new",
    "through_cache",
    "waited_s",
]
