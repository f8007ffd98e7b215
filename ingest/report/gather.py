"""From the catalog to the facts of a report: the only place of the report that asks the catalog."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from ingest.assurance.footage.set_wrong import differences
from ingest.assurance.footage.totals import shot_total
from ingest.assurance.state import CopyState, copy_state
from ingest.report.facts import (
    CopyLine,
    DayEnd,
    FileLine,
    IntakeFacts,
    OffloadLine,
    RollLine,
    Totals,
    separate_devices,
)
from ingest.report.gather_clips import gather_clips, gather_scenes, sum_of
from ingest.report.gather_drives import DrivesNow, device_keys, gather_drives, with_own_names
from ingest.report.problems import find_problems
from ingest.report.verdict import CAUTIONS, say_remarks, say_verdict
from ingest.wording import natural

if TYPE_CHECKING:
    from ingest.assurance.footage.set_wrong import Oddity
    from ingest.assurance.footage.timecodes import TimecodeFault
    from ingest.catalog.catalog import Catalog
    from ingest.catalog.custody_records import DrivePlace
    from ingest.catalog.records import CardNote, Copy, Drive, Offload, Roll
    from ingest.report.facts import ClipLine

__all__ = ["gather"]


def gather(
    catalog: Catalog,
    rolls: Sequence[Roll],
    *,
    now: datetime,
    here: DrivesNow,
    scope: str = "",
    wanted: int = 2,
    owed: Mapping[str, Sequence[str]] | None = None,
    display: str | None = None,
    day_end: DayEnd | None = None,
    odd: Sequence[Oddity] = (),
    faults: Sequence[TimecodeFault] = (),
) -> IntakeFacts:
    """The facts about these rolls, all of one production, as the catalog has them at `now`.

    `here` is what is known of the drives besides. `scope` says in words what was asked for;
    `wanted` is the number of copies on separate physical devices that make a file good; `owed`
    the planned shots without a good take, by scene; `day_end` what is open of the last day;
    `display` the pattern of display names (see `ingest.slate.display`); `odd` and `faults` the
    clips set wrong and the timecode that goes back.
    """
    drives = with_own_names(catalog.drives())
    places = catalog.drive_places()
    keys = device_keys(drives.values())
    offloads = catalog.offloads(rolls)
    files = _files(catalog, rolls, drives, keys, places, here, now)
    every = tuple(line for lines in files.values() for line in lines)
    offload_lines = _offloads(
        offloads,
        catalog.card_notes([offload.id for offload in offloads]),
        catalog.disputes(rolls),
    )
    known = catalog.clips(rolls)
    clips = gather_clips(catalog, rolls, known, files, display)
    shot = shot_total(rolls, known, catalog.files(rolls))
    roll_lines = tuple(
        _roll(roll, files.get(roll.id, ()), clips, offloads, wanted) for roll in rolls
    )
    drive_lines = gather_drives(every, drives, keys, offloads, roll_lines, places, here)
    problems = find_problems(
        files=every,
        clips=clips,
        drives=drive_lines,
        rolls=roll_lines,
        offloads=offload_lines,
        odd=odd,
        faults=faults,
        wanted=wanted,
        now=now,
    )
    dates = {str(roll.day): roll.date for roll in rolls}
    copies = [copy for file in every for copy in file.copies]
    return IntakeFacts(
        production=rolls[0].production if rolls else "",
        scope=scope or ", ".join(roll.name for roll in rolls),
        as_of=now,
        wanted=wanted,
        verdict=say_verdict(files=every, problems=problems, wanted=wanted, now=now),
        remarks=say_remarks(
            files=every,
            drives=drive_lines,
            rolls=roll_lines,
            offloads=offload_lines,
            day_end=day_end,
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
        cameras=tuple(sum_of(each, each.of or "no camera letter") for each in shot.cameras),
        days=tuple(sum_of(each, f"Day {each.of}, {dates[each.of]}") for each in shot.days),
        offloads=offload_lines,
        scenes=gather_scenes(clips, owed or {}),
        day_end=day_end,
        roll_sums=tuple(sum_of(each, each.of) for each in shot.rolls),
        whole=sum_of(shot.whole, "All"),
        differences=differences(odd),
        cautions=CAUTIONS,
    )


def _files(
    catalog: Catalog,
    rolls: Sequence[Roll],
    drives: Mapping[int, Drive],
    keys: Mapping[int, str],
    places: Mapping[int, DrivePlace],
    here: DrivesNow,
    now: datetime,
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
            _copy(
                copy,
                drives[copy.drive_id],
                copy_state(looks.get(copy.id, ())),
                keys,
                places[copy.drive_id],
                here,
                now,
            )
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


def _copy(
    copy: Copy,
    drive: Drive,
    state: CopyState,
    keys: Mapping[int, str],
    place: DrivePlace,
    here: DrivesNow,
    now: datetime,
) -> CopyLine:
    return CopyLine(
        drive=drive.name,
        path=copy.path,
        state=state.state,
        route=state.route,
        against=state.against,
        at=state.at,
        why=state.why,
        device_key=keys[drive.id],
        counts=place.counts(state.look.id if state.look is not None else None),
        remounted=state.remounted and here.is_local(drive),
        dated=state.at is not None and state.at <= now,
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


def _offloads(
    offloads: Sequence[Offload],
    notes: Mapping[int, Sequence[CardNote]],
    disputes: Collection[tuple[int, str]],
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
                    and (note.kind != "disputed" or (offload.id, note.path) in disputes)
                ),
                last=last[offload.roll.id] == offload.id,
            )
        )
    return tuple(lines)
