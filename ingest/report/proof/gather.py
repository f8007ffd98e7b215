"""From the facts of the intake report to those of a proof. Pure: the catalog was asked before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime

from ingest.assurance.worth import Weakness
from ingest.catalog.records import FileRecord
from ingest.checksums import c4_to_digest
from ingest.errors import NotKnown
from ingest.evidence import State
from ingest.names import shown
from ingest.report.facts import (
    ClipLine,
    CopyLine,
    FileLine,
    IntakeFacts,
    OffloadLine,
    separate_devices,
)
from ingest.report.proof.facts import (
    Finding,
    Layout,
    ProofClip,
    ProofDrive,
    ProofFacts,
    ProofFile,
    ProofRoll,
)
from ingest.wording import listed, natural

__all__ = ["prove"]

_LEFT_ON_CARD = {
    "unreadable": "could not be read from the card",
    "damaged": "came off the card with pieces missing",
    "changed": "changed on the card while it was copied",
    "vanished": "vanished from the card while it was copied",
    "appeared": "appeared on the card while it was copied",
    "disputed": "came off the card other than the card's own hash lists say",
    "older": "left on the card, being older than the date that was asked for",
}

_GONE = "the drive is, or was, written down as dead or lost, and it was not read since"


def prove(
    facts: IntakeFacts,
    records: Mapping[tuple[str, str], FileRecord],
    *,
    machine: str,
    drives: Collection[str] = (),
    client: str = "",
    note: str = "",
    redact: bool = False,
    signer: str = "",
) -> ProofFacts:
    """What can be shown of these rolls to somebody else.

    `records`: (roll, path) to the file as the catalog has it. `drives`: names of the drives that
    it is about; none: all that hold a copy and are not dead or lost. `redact` leaves out scene and
    take, notes, and names of people and computers. Where a clip was recorded is never part of a
    proof. Raises NotKnown when a drive holds nothing of it.
    """
    chosen = _chosen(facts, drives)
    layouts, findings = _lay_out(facts, chosen)
    last = {line.roll: line for line in facts.offloads if line.last}
    return ProofFacts(
        production=facts.production,
        client=client,
        scope=facts.scope,
        as_of=facts.as_of,
        rolls=tuple(
            ProofRoll(
                name=roll.name,
                day=roll.day,
                date=roll.date,
                camera=roll.camera,
                card=roll.card,
                files=roll.files,
                bytes=roll.bytes,
                card_read=roll.card_read,
                offloaded=_when(last.get(roll.name)),
                by="" if redact else _who(last.get(roll.name)),
            )
            for roll in facts.rolls
        ),
        files=tuple(
            ProofFile(
                roll=file.roll,
                path=file.path,
                size=file.size,
                mtime_ns=records[file.roll, file.path].mtime_ns,
                digests=_digests(file.digests),
                later=records[file.roll, file.path].later,
            )
            for file in facts.files
        ),
        clips=tuple(_clip(clip, redact=redact) for clip in facts.clips),
        drives=tuple(
            _drive(facts, name) for name in sorted(chosen, key=natural) if _held(facts, name)
        ),
        layouts=layouts,
        findings=(*findings, *_from_cards(facts)),
        devices=separate_devices(
            line.device_key for line in facts.drives if line.name in chosen and line.copies
        ),
        machine="" if redact else machine,
        note=note,
        redacted=redact,
        signer=signer,
    )


def _chosen(facts: IntakeFacts, asked: Collection[str]) -> list[str]:
    known = [drive.name for drive in facts.drives]
    if not asked:
        return [drive.name for drive in facts.drives if not drive.gone]
    chosen = []
    for name in asked:
        alike = [one for one in known if one == name] or [
            one for one in known if one.casefold() == name.casefold()
        ]
        if len(alike) != 1:
            raise NotKnown(
                f"No copy of {shown(facts.scope)} is known on a drive {shown(name)}.",
                do=f"name one of: {listed(known, 12)}" if known else "ingest drives",
            )
        chosen += [one for one in alike if one not in chosen]
    return chosen


def _held(facts: IntakeFacts, drive: str) -> list[tuple[FileLine, CopyLine]]:
    return [(file, copy) for file in facts.files for copy in file.copies if copy.drive == drive]


def _drive(facts: IntakeFacts, name: str) -> ProofDrive:
    line = next(drive for drive in facts.drives if drive.name == name)
    held = {(file.roll, file.path): file.size for file, _ in _held(facts, name)}
    return ProofDrive(
        name=name,
        fs_type=line.fs_type,
        mounted=line.mounted,
        files=len(held),
        proven=line.proven,
        cached=line.cached,
        own_list=line.own_list,
        bad=line.bad,
        waiting=line.waiting,
        bytes=sum(held.values()),
        oldest=line.oldest,
        newest=line.newest,
        speed=line.speed,
    )


def _lay_out(facts: IntakeFacts, chosen: Sequence[str]) -> tuple[tuple[Layout, ...], list[Finding]]:
    """Drives that hold the same files at the same paths share a layout; and every copy that is
    not, or not known to be, what it should be. A drive with fewer files has a layout of its own:
    checked by the others' list it would never be whole."""
    layouts: list[tuple[list[str], dict[str, str]]] = []
    findings: list[Finding] = []
    twice = _twice(facts)
    for drive in sorted(chosen, key=natural):
        paths: dict[str, str] = {}
        for file, copy in _held(facts, drive):
            if copy.state is not State.MATCHED:
                findings.append(Finding(drive, file.name, str(copy.state), copy.why))
            elif copy.weak is Weakness.GONE:
                findings.append(Finding(drive, file.name, "not counted", _GONE))
            if file.name not in twice:
                paths.setdefault(file.name, copy.path)
        if not paths:
            continue
        for drives, known in layouts:
            if known == paths:
                drives.append(drive)
                break
        else:
            layouts.append(([drive], paths))
    for file in facts.files:
        if not any(copy.drive in chosen for copy in file.copies):
            where = listed(chosen) if chosen else "a drive"
            findings.append(Finding("", file.name, "missing", f"no copy of it on {where} is known"))
    findings += [
        Finding("", name, "doubtful", "two different contents are known under this path")
        for name in sorted(twice)
    ]
    return tuple(Layout(tuple(drives), paths) for drives, paths in layouts), findings


def _twice(facts: IntakeFacts) -> set[str]:
    """Files known with two contents (from two drives' lists): no checksum of them proves one."""
    counts = Counter(file.name for file in facts.files)
    return {name for name, count in counts.items() if count > 1}


def _from_cards(facts: IntakeFacts) -> list[Finding]:
    return [
        Finding("", f"{line.roll}/{path}", kind, _LEFT_ON_CARD[kind])
        for line in facts.offloads
        for kind, path, _ in line.notes
        if (line.last or kind == "disputed") and kind in _LEFT_ON_CARD
    ]


def _digests(digests: Mapping[str, str]) -> dict[str, str]:
    """With the C4 ID once more as the SHA-512 that it stands for (SMPTE ST 2114:2017)."""
    found = dict(digests)
    if "c4" in found:
        found["sha512"] = c4_to_digest(found["c4"]).hex()
    return found


def _clip(clip: ClipLine, *, redact: bool) -> ProofClip:
    takes = () if redact else clip.takes
    return ProofClip(
        name=clip.name,
        day=clip.day,
        camera=clip.camera,
        start_timecode=clip.start_timecode,
        duration_seconds=clip.duration_seconds,
        bytes=clip.bytes,
        takes=tuple(
            f"{take.scene} take {take.take}" + (f", {take.rating}" if take.rating else "")
            for take in takes
        ),
        notes=tuple(take.note for take in takes if take.note),
    )


def _when(line: OffloadLine | None) -> datetime | None:
    return line.finished if line else None


def _who(line: OffloadLine | None) -> str:
    return f"{line.who} on {line.machine}" if line else ""
