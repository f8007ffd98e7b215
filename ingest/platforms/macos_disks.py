"""macOS: which whole disks lie behind a device, asked of `diskutil` and `ioreg`.

Both answer property lists. An answer that isn't understood counts as not known.
Keys from memory of diskutil(8) and of the I/O registry's IOBlockStorageDevice,
IOBlockStorageDriver and IOMedia.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

__all__ = ["Disk", "Disks", "run"]

_SECONDS = 20.0
"""A disk that doesn't answer must not hold up the others for ever."""

_POOLED = ("RAIDMaster", "RAIDSetMembers", "CoreStorageLogicalVolumes", "CoreStoragePVs")
"""Keys of volumes made of several disks in ways that are not followed here."""


@dataclass(frozen=True, slots=True)
class Disk:
    """What the I/O registry says of one whole disk."""

    serial: str | None = None
    model: str | None = None
    rotational: bool | None = None
    bytes_read: int | None = None


def run(command: Sequence[str]) -> bytes:
    """What a system tool prints; nothing when it is absent, fails or doesn't answer."""
    import subprocess

    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_SECONDS
        )
    except (OSError, subprocess.SubprocessError):
        return b""
    return done.stdout if done.returncode == 0 else b""


class Disks:
    """Asks each question once; make a new one to ask again."""

    def __init__(self, ask: Callable[[Sequence[str]], bytes] | None = None) -> None:
        self._ask = ask or run
        self._told: dict[str, Mapping[str, object]] = {}
        self._hardware: Mapping[str, Disk] | None = None

    def info(self, device: str) -> Mapping[str, object]:
        """What `diskutil info` says of a device or disk; empty when nothing."""
        if device not in self._told:
            told = _plist(self._ask(("/usr/sbin/diskutil", "info", "-plist", device)))
            self._told[device] = told if isinstance(told, dict) else {}
        return self._told[device]

    def whole(self, device: str) -> tuple[str, ...]:
        """Whole physical disks behind a device; empty when they can't be known.

        An APFS volume lies in a container, which the system shows as a disk of its own; the
        disk meant is the one that holds the container's physical store.
        """
        told = self.info(device)
        if any(told.get(key) for key in _POOLED):
            return ()
        stores = told.get("APFSPhysicalStores")
        if isinstance(stores, list) and stores:
            found: set[str] = set()
            for store in stores:
                name = store.get("APFSPhysicalStore") if isinstance(store, dict) else None
                below = self._parent(name) if isinstance(name, str) else None
                if below is None:
                    return ()
                found.add(below)
            return tuple(sorted(found))
        parent = self._parent(device)
        return (parent,) if parent else ()

    def hardware(self) -> Mapping[str, Disk]:
        """Every physical disk the I/O registry knows, by its name (`disk4`)."""
        if self._hardware is None:
            told = _plist(
                self._ask(("/usr/sbin/ioreg", "-a", "-l", "-r", "-c", "IOBlockStorageDevice"))
            )
            nodes = told if isinstance(told, list) else []
            self._hardware = dict(pair for node in nodes for pair in _disks(node, Disk()))
        return self._hardware

    def _parent(self, device: str) -> str | None:
        told = self.info(device)
        if told.get("VirtualOrPhysical") == "Virtual" or told.get("BusProtocol") == "Disk Image":
            return None  # what it lies on is not told
        parent = told.get("ParentWholeDisk")
        return parent if isinstance(parent, str) and parent else None


def _disks(node: object, above: Disk) -> Iterator[tuple[str, Disk]]:
    """Whole disks in a branch of the registry, with what the nodes above them say."""
    if not isinstance(node, dict):
        return
    known = above
    about = node.get("Device Characteristics")
    if isinstance(about, dict):
        medium = about.get("Medium Type")
        known = replace(
            known,
            serial=_text(about.get("Serial Number")),
            model=_text(about.get("Product Name")),
            rotational={"Solid State": False, "Rotational": True}.get(str(medium)),
        )
    counts = node.get("Statistics")
    if isinstance(counts, dict) and isinstance(counts.get("Bytes (Read)"), int):
        known = replace(known, bytes_read=counts["Bytes (Read)"])
    name = node.get("BSD Name")
    if isinstance(name, str):
        # What lies below is made of this disk: partitions, containers.
        if node.get("Whole", True):
            yield name, known
        return
    below = node.get("IORegistryEntryChildren")
    for child in below if isinstance(below, list) else ():
        yield from _disks(child, known)


def _text(value: object) -> str | None:
    return value.strip() or None if isinstance(value, str) else None


def _plist(raw: bytes) -> object:
    import plistlib
    from xml.parsers.expat import ExpatError

    if not raw:
        return None
    try:
        return plistlib.loads(raw)
    except (ValueError, ExpatError, plistlib.InvalidFileException, KeyError, IndexError):
        return None
