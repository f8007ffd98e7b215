"""From the catalog to the facts of a report: the only place of the report that asks the catalog."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.assurance.state import CopyState, copy_state
from ingest.evidence import Route, State
from ingest.report.facts import (
    ClipLine,
    CopyLine,
    DriveLine,
    FileLine,
    IntakeFacts,
    OffloadLine,
    RollLine,
    Sum,
    TakeLine,
    Totals,
    separate_devices,
)
from ingest.report.verdict import CAUTIONS, find_problems, say_remarks, say_verdict
from ingest.wording import natural

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog
    from ingest.catalog.records import (
        CardNote,
        Clip,
        Copy,
        Drive,
        DriveSeen,
        Offload,
        Roll,
        TakeLink,
    )

__all__ = ["device_keys", "gather"]


def gather(
    catalog: Catalog,
    rolls: Sequence[Roll],
    *,
    now: datetime,
    mounted: Mapping[str, DriveSeen],
    scope: str = "",
    wanted: int = 2,
) -> IntakeFacts:
    """The facts about these rolls, all of one production, as the catalog has them at `now`.

    `mounted` holds the drives plugged in now, by marker. `scope` says in words what was asked
    for; `wanted` is the number of copies on separate physical devices that make a file good.
    """
    drives = _with_own_names(catalog.drives())
    keys = device_keys(drives.values())
    offloads = catalog.offloads(rolls)
    files = _files(catalog, rolls, drives, keys)
    every = tuple(line for lines in files.values() for line in lines)
    offload_lines = _offloads(offloads, catalog.card_notes([offload.id for offload in offloads]))
    clips = _clips(catalog, rolls, files)
    roll_lines = tuple(
        _roll(roll, files.get(roll.id, ()), clips, offloads, wanted) for roll in rolls
    )
    drive_lines = _drives(every, drives, keys, offloads, mounted)
    problems = find_problems(
        files=every,
        clips=clips,
        drives=drive_lines,
        rolls=roll_lines,
        offloads=offload_lines,
        wanted=wanted,
        now=now,
    )
    copies = [copy for file in every for copy in file.copies]
    return IntakeFacts(
        production=rolls[0].production if rolls else "",
        scope=scope or ", ".join(roll.name for roll in rolls),
        as_of=now,
        wanted=wanted,
        verdict=say_verdict(files=every, problems=problems, wanted=wanted, now=now),
        remarks=say_remarks(
            files=every, drives=drive_lines, rolls=roll_lines, offloads=offload_lines
        ),
        problems=problems,
        totals=Totals(
            files=len(every),
            bytes=sum(file.size for file in every),
            copies=len(copies),
            proven=sum(copy.proven for copy in copies),
            good_files=sum(file.good >= wanted for file in every),
            clips=len(clips),
            drives=len(drive_lines),
            devices=separate_devices(drive.device_key for drive in drive_lines),
        ),
        drives=drive_lines,
        rolls=roll_lines,
        clips=clips,
        files=every,
        cameras=_sums(roll_lines, clips, every, lambda roll: roll.camera or "no camera letter"),
        days=_sums(roll_lines, clips, every, lambda roll: f"Day {roll.day}, {roll.date}"),
        offloads=offload_lines,
        cautions=CAUTIONS,
    )


def device_keys(drives: Iterable[Drive]) -> Mapping[int, str]:
    """Drive id to a text that is equal for drives on one physical device, empty when unknown.

    Equal device texts or equal serials are one device; unknown is never shown to be separate.
    """
    keys: dict[int, str] = {}
    by_serial: dict[str, str] = {}
    by_text: dict[str, str] = {}
    for drive in sorted(drives, key=lambda drive: drive.id):
        text = drive.device.strip()
        if not text or text.casefold().startswith("unknown"):
            keys[drive.id] = ""
            continue
        serial = (drive.serial or "").strip()
        key = by_text.get(text) or (by_serial.get(serial) if serial else None) or text
        by_text.setdefault(text, key)
        if serial:
            other = by_serial.setdefault(serial, key)
            if other != key:  # this drive shows that two devices known so far are one
                for held in (keys, by_text, by_serial):
                    _rename(held, key, other)
                key = other
        keys[drive.id] = key
    return keys


def _with_own_names(drives: Sequence[Drive]) -> Mapping[int, Drive]:
    """Drives by id; those that share a name get the start of their marker behind it."""
    names = Counter(drive.name for drive in drives)
    return {
        drive.id: drive
        if names[drive.name] == 1
        else replace(drive, name=f"{drive.name} ({drive.marker[:8]})")
        for drive in drives
    }


def _rename(held: dict[int, str] | dict[str, str], old: str, new: str) -> None:
    for name, key in list(held.items()):
        if key == old:
            held[name] = new  # type: ignore[index]


def _files(
    catalog: Catalog,
    rolls: Sequence[Roll],
    drives: Mapping[int, Drive],
    keys: Mapping[int, str],
) -> dict[int, tuple[FileLine, ...]]:
    """Roll id to its files, in path order."""
    names = {roll.id: roll.name for roll in rolls}
    copies: defaultdict[int, list[Copy]] = defaultdict(list)
    everywhere = catalog.copies(rolls=rolls)
    for copy in everywhere:
        copies[copy.file_id].append(copy)
    looks = catalog.looks([copy.id for copy in everywhere])
    found: defaultdict[int, list[FileLine]] = defaultdict(list)
    for file in catalog.files(rolls):
        lines = tuple(
            _copy(copy, drives[copy.drive_id], copy_state(looks.get(copy.id, ())), keys)
            for copy in copies[file.id]
        )
        found[file.roll_id].append(
            FileLine(
                roll=names[file.roll_id],
                path=file.path,
                size=file.size,
                digests=dict(file.digests),
                copies=tuple(sorted(lines, key=lambda line: line.drive)),
            )
        )
    return {
        roll.id: tuple(sorted(found[roll.id], key=lambda file: natural(file.path)))
        for roll in rolls
    }


def _copy(copy: Copy, drive: Drive, state: CopyState, keys: Mapping[int, str]) -> CopyLine:
    return CopyLine(
        drive=drive.name,
        path=copy.path,
        state=state.state,
        route=state.route,
        against=state.against,
        at=state.at,
        why=state.why,
        device_key=keys[drive.id],
    )


def _clips(
    catalog: Catalog, rolls: Sequence[Roll], files: Mapping[int, Sequence[FileLine]]
) -> tuple[ClipLine, ...]:
    clips = catalog.clips(rolls)
    links = catalog.links([clip.id for clip in clips])
    posters = catalog.posters
    by_path: dict[tuple[int, str], list[FileLine]] = defaultdict(list)
    for roll_id, lines in files.items():
        for line in lines:
            by_path[roll_id, line.path].append(line)
    return tuple(_clip(clip, links.get(clip.id, ()), by_path, posters) for clip in clips)


def _clip(
    clip: Clip,
    links: Sequence[TakeLink],
    by_path: Mapping[tuple[int, str], Sequence[FileLine]],
    posters: Path,
) -> ClipLine:
    facts = clip.facts
    audio = [track for track in facts.audio if track.channels is not None]
    return ClipLine(
        name=clip.full_name,
        roll=clip.roll.name,
        day=clip.roll.day,
        camera=clip.roll.camera,
        kind=facts.kind.value,
        takes=tuple(
            TakeLine(
                scene=link.scene,
                take=link.take,
                shot=link.shot,
                rating=link.rating.value if link.rating else None,
                sure=link.sure.value,
                basis=link.basis,
                note=link.note,
            )
            for link in links
        ),
        start_timecode=facts.start_timecode,
        duration_seconds=facts.duration_seconds,
        frame_rate=facts.frame_rate,
        variable_rate=facts.variable_rate,
        width=facts.width,
        height=facts.height,
        codec=" ".join(part for part in (facts.codec, facts.profile) if part) or None,
        container=facts.container,
        channels=sum(track.channels or 0 for track in audio) or None,
        sample_rate=next((track.sample_rate for track in audio if track.sample_rate), None),
        recorded=facts.recorded,
        doubts=facts.doubts,
        files=tuple(
            line for file in clip.files for line in by_path.get((clip.roll.id, file.path), ())
        ),
        # A poster's name is one of our own making; anything with a folder in it is not.
        poster=posters / clip.poster if clip.poster and "/" not in clip.poster else None,
    )


def _roll(
    roll: Roll,
    files: Sequence[FileLine],
    clips: Sequence[ClipLine],
    offloads: Sequence[Offload],
    wanted: int,
) -> RollLine:
    ends = [offload.end for offload in offloads if offload.roll.id == roll.id and offload.end]
    return RollLine(
        name=roll.name,
        day=roll.day,
        date=roll.date,
        camera=roll.camera,
        card=roll.card,
        files=len(files),
        bytes=sum(file.size for file in files),
        clips=sum(clip.roll == roll.name for clip in clips),
        good_files=sum(file.good >= wanted for file in files),
        card_read=ends[-1].card_read if ends else 0,
    )


def _drives(
    files: Sequence[FileLine],
    drives: Mapping[int, Drive],
    keys: Mapping[int, str],
    offloads: Sequence[Offload],
    mounted: Mapping[str, DriveSeen],
) -> tuple[DriveLine, ...]:
    held: defaultdict[str, list[tuple[CopyLine, int]]] = defaultdict(list)
    for file in files:
        for copy in file.copies:
            held[copy.drive].append((copy, file.size))
    lines = []
    for drive in sorted(drives.values(), key=lambda drive: natural(drive.name)):
        if not (here := held[drive.name]):
            continue
        copies = [copy for copy, _ in here]
        times = [copy.at for copy in copies if copy.at is not None]
        matched = [copy for copy in copies if copy.state is State.MATCHED]
        proven = sum(copy.proven for copy in copies)
        cached = sum(copy.route is not Route.MEDIUM for copy in matched)
        bad = sum(copy.state.is_bad for copy in copies)
        now = mounted.get(drive.marker)
        lines.append(
            DriveLine(
                name=drive.name,
                device=drive.device if keys[drive.id] else "",
                device_key=keys[drive.id],
                fs_type=drive.fs_type,
                root=now.root if now else drive.root,
                mounted=now is not None,
                copies=len(copies),
                proven=proven,
                cached=cached,
                own_list=len(matched) - proven - cached,
                bad=bad,
                waiting=len(copies) - len(matched) - bad,
                bytes=sum(size for _, size in here),
                oldest=min(times, default=None),
                newest=max(times, default=None),
                speed=_speed(drive, offloads),
            )
        )
    return tuple(lines)


def _speed(drive: Drive, offloads: Sequence[Offload]) -> Fraction | None:
    parts = [
        part
        for offload in offloads
        if offload.end
        for part in offload.end.drives
        if part.drive_id == drive.id
    ]
    seconds = sum((Fraction(part.seconds) for part in parts), Fraction(0))
    return Fraction(sum(part.bytes for part in parts)) / seconds if seconds > 0 else None


def _offloads(
    offloads: Sequence[Offload], notes: Mapping[int, Sequence[CardNote]]
) -> tuple[OffloadLine, ...]:
    last = {offload.roll.id: offload.id for offload in sorted(offloads, key=lambda each: each.id)}
    lines = []
    for offload in sorted(offloads, key=lambda each: each.id):
        end = offload.end
        seen = notes.get(offload.id, ())
        lines.append(
            OffloadLine(
                roll=offload.roll.name,
                card=offload.roll.card,
                who=offload.observer.who,
                machine=offload.observer.machine,
                started=offload.started,
                finished=end.finished if end else None,
                verdict=end.verdict if end else "not finished",
                card_read=end.card_read if end else 0,
                files=end.files if end else 0,
                known=end.known if end else 0,
                bytes=end.bytes if end else 0,
                seconds=end.seconds if end else 0,
                left_out=end.left_out if end else 0,
                litter=sum(note.kind == "litter" for note in seen),
                notes=tuple(
                    (note.kind, note.path, note.detail)
                    for note in seen
                    if note.kind not in ("litter", "witness")
                ),
                last=last[offload.roll.id] == offload.id,
            )
        )
    return tuple(lines)


def _sums(
    rolls: Sequence[RollLine],
    clips: Sequence[ClipLine],
    files: Sequence[FileLine],
    of: Callable[[RollLine], str],
) -> tuple[Sum, ...]:
    """Totals over the groups that `of` puts the rolls in."""
    groups = {roll.name: of(roll) for roll in rolls}
    totals = []
    for group in sorted(set(groups.values()), key=natural):
        its_clips = [clip for clip in clips if groups[clip.roll] == group]
        its_files = [file for file in files if groups[file.roll] == group]
        timed = [clip for clip in its_clips if clip.duration_seconds is not None]
        totals.append(
            Sum(
                of=group,
                clips=len(its_clips),
                files=len(its_files),
                bytes=sum(file.size for file in its_files),
                seconds=sum((clip.duration_seconds or Fraction(0) for clip in timed), Fraction(0)),
                timed_bytes=sum(clip.bytes for clip in timed),
            )
        )
    return tuple(totals)
