"""Everything that is known of a shoot day: of the catalog, ingest.toml and the shot list. Reads
only."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from ingest.assurance.clocks import agreed
from ingest.assurance.day.values import (
    BadCopies,
    CardDue,
    ClipIn,
    ClockOff,
    Conflicting,
    DayFacts,
    Device,
    Fault,
    Held,
    Note,
    RollIn,
    TakeIn,
)
from ingest.assurance.footage.set_wrong import ASKED, Oddity, set_wrong
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import RollNote
from ingest.catalog.records import Clip, PlannedShot, Roll, SlateRow, Sure, TakeLink
from ingest.evidence import State
from ingest.jobs.clocks import vote_on_clocks
from ingest.jobs.day_said import said_of
from ingest.jobs.devices import device_letter
from ingest.jobs.holdings import Holdings, gather_holdings
from ingest.jobs.known import RollOverview, roll_overviews
from ingest.jobs.planned import planned_here
from ingest.jobs.slate import match_clips
from ingest.jobs.story import lost_clips
from ingest.media.health import Depth, HealthState, Severity
from ingest.names import shown, typed
from ingest.settings import Settings
from ingest.slate.conflicts import find_conflicts
from ingest.slate.coverage import coverage
from ingest.slate.days import shoot_days, with_days
from ingest.slate.matching import Conflict, Matching
from ingest.wording import listed

__all__ = ["gather_day"]

_NO_PICTURE = frozenset({"WILD_TRACK", "FALSE_START", "REHEARSAL", "ANNOUNCEMENT", "SOUND_GUIDE"})
"""Words of iXML TAKE_TYPE (iXML specification, object details) for sound without a picture."""

_TOLD_ELSEWHERE = frozenset({"no clip", "one camera"})
"""Conflicts that say of a row that its picture isn't in, or of a camera that it may not have
rolled: at the end of the day that is an absence, and told as one."""

_LOOKED = {
    Depth.NONE: "and nothing of it could be decoded",
    Depth.SAMPLED: "some frames decoded",
    Depth.DEEP: "every frame decoded",
}


def gather_day(
    catalog: Catalog,
    settings: Settings,
    production: str,
    day: int,
    now: datetime,
    shots: str | None = None,
) -> DayFacts:
    """Everything that is known of a shoot day and what led up to it. Raises BadLog."""
    rolls = [roll for roll in catalog.rolls(production=production) if roll.day <= day]
    overviews = roll_overviews(catalog, rolls, now)
    clips = catalog.clips(rolls)
    links = catalog.links([clip.id for clip in clips])
    dates = shoot_days(settings.days, catalog.rolls(production=production))
    rows = with_days(catalog.slate(production), dates)
    planned = planned_here(catalog, settings, production, shots)
    held = gather_holdings(catalog, settings, rolls)
    idle, settled = said_of(catalog, production, day)
    every_link = [link for some in links.values() for link in some]
    laid = match_clips(catalog, settings, clips, rows, every_link)
    shot_by_now = [row for row in rows if row.day is None or row.day <= day]
    zone = ZoneInfo(settings.time_zone) if settings.time_zone else None
    return DayFacts(
        day=day,
        devices=tuple(
            Device(one.letter, one.kind, one.name or "") for one in settings.devices.values()
        ),
        rolls=tuple(_roll_in(one) for one in overviews),
        clips=tuple(_clip_in(clip, links[clip.id], device_letter(clip.roll)) for clip in clips),
        rows=rows,
        planned=planned,
        covered=coverage(planned, shot_by_now, clips, every_link).shots,
        last_day=bool(settings.days) and day >= len(settings.days),
        wanted=settings.copies_wanted,
        bad=tuple(_bad(held, overviews)),
        notes=tuple(_notes(catalog, rolls)),
        lost=tuple(lost_clips(clips, held)),
        faults=tuple(_faults(clips, settings, day)),
        clocks=tuple(_clocks(clips, links, laid, day)),
        conflicts=tuple(_conflicts(clips, rows, every_link, laid.conflicts, planned, day)),
        held=tuple(_held(rolls, catalog.roll_notes(rolls), day)),
        due=tuple(_due(catalog, now.astimezone(zone).date())),
        idle=idle,
        settled=settled,
    )


def _roll_in(one: RollOverview) -> RollIn:
    return RollIn(
        name=one.roll.name,
        day=one.roll.day,
        device=device_letter(one.roll),
        card=one.roll.card,
        copies=one.copies,
        drives=tuple(sorted(on.here.drive.name for on in one.drives if not on.place.gone)),
        finished=one.finished,
        files=one.files,
    )


def _clip_in(clip: Clip, links: Sequence[TakeLink], device: str) -> ClipIn:
    sound = clip.facts.sound
    takes = [
        TakeIn(link.scene, link.take, link.shot, link.rating)
        for link in links
        if link.sure is not Sure.OPEN
    ]
    if not takes and sound is not None and sound.scene and sound.take:
        takes = [TakeIn(sound.scene, sound.take)]
    return ClipIn(
        roll=clip.roll.name,
        name=clip.name,
        day=clip.roll.day,
        device=device,
        kind=clip.facts.kind.value,
        takes=tuple(takes),
        without_picture=sound is not None and bool(_NO_PICTURE & set(sound.take_type)),
    )


def _bad(held: Holdings, overviews: Sequence[RollOverview]) -> Iterator[BadCopies]:
    """Copies that are not good, by roll, drive and state; those on drives that are gone left out:
    nobody could mend them, and the roll shows under the copies wanted."""
    gone = {on.here.drive.id for one in overviews for on in one.drives if on.place.gone}
    groups: defaultdict[tuple[str, str, str, bool], list[str]] = defaultdict(list)
    for file, copies in held.files:
        for copy, state in copies:
            if copy.drive_id in gone or not (state.is_bad or state is State.DOUBTFUL):
                continue
            lost = not held.good.get(file.id)
            key = (held.rolls[file.roll_id].name, held.drives[copy.drive_id], state.value, lost)
            groups[key].append(file.path)
    for (roll, drive, state_word, lost), paths in sorted(groups.items()):
        yield BadCopies(roll, drive, state_word, tuple(sorted(paths)), lost)


def _notes(catalog: Catalog, rolls: Sequence[Roll]) -> Iterator[Note]:
    """What the last offload of each roll saw and did not copy whole; and what is in dispute,
    whichever offload read it."""
    offloads = catalog.offloads(rolls)
    last = {offload.roll.id: offload.id for offload in offloads}
    notes = catalog.card_notes([offload.id for offload in offloads])
    disputes = catalog.disputes(rolls)
    for offload in offloads:
        for note in notes[offload.id]:
            stands = (
                (offload.id, note.path) in disputes
                if note.kind == "disputed"
                else last[offload.roll.id] == offload.id
            )
            if stands:
                yield Note(offload.roll.name, note.kind, note.path, note.detail)


def _faults(clips: Sequence[Clip], settings: Settings, day: int) -> Iterator[Fault]:
    """Clips of the day that don't play, and those that were recorded with other settings."""
    for clip in clips:
        health = clip.health
        if clip.roll.day == day and health is not None and health.state is HealthState.BROKEN:
            words = [one.words for one in health.findings if one.severity is Severity.BROKEN]
            yield Fault(
                clip.full_name,
                device_letter(clip.roll),
                "; ".join(word.rstrip(".") for word in words),
                f"it was looked at, {_LOOKED[health.depth]}, on the copy that was read",
                broken=True,
            )
    today = {clip.full_name: clip for clip in clips if clip.roll.day == day}
    odd: defaultdict[str, list[Oddity]] = defaultdict(list)
    for one in set_wrong(clips, settings.devices, settings.frame_rate):
        if one.wrong and one.clip in today:
            odd[one.clip].append(one)
    for name, some in odd.items():
        asked = any(one.basis == ASKED for one in some)
        yield Fault(
            name,
            device_letter(today[name].roll),
            ", ".join(one.words for one in some),
            "ingest.toml asks for it" if asked else "its other clips are so",
        )


def _clocks(
    clips: Sequence[Clip], links: Mapping[int, Sequence[TakeLink]], laid: Matching, day: int
) -> Iterator[ClockOff]:
    of_day = [one for one in laid.clocks if one.day == day]
    for one in agreed(vote_on_clocks(clips, links, day), of_day):
        takes = "1 take" if one.takes == 1 else f"{one.takes} takes"
        yield ClockOff(
            one.device,
            one.seconds,
            f"against {listed([shown(other) for other in one.against], 4)} on {takes} of the day",
        )


def _conflicts(
    clips: Sequence[Clip],
    rows: Sequence[SlateRow],
    links: Sequence[TakeLink],
    on_the_way: Sequence[Conflict],
    planned: Sequence[PlannedShot],
    day: int,
) -> Iterator[Conflicting]:
    """What can't be true together, of clips or rows of the day. `on_the_way`: what the matching
    came upon."""
    by_id = {clip.id: clip for clip in clips}
    between = find_conflicts(clips, rows, links, planned, known=on_the_way)
    for one in (*on_the_way, *between):
        mine = [by_id[number] for number in one.clip_ids if number in by_id]
        today = any(clip.roll.day == day for clip in mine)
        of_row = not mine and any(row.day == day for row in one.rows)
        if one.kind not in _TOLD_ELSEWHERE and (today or of_row):
            yield Conflicting(one.words, tuple(clip.full_name for clip in mine), one.do)


def _held(rolls: Sequence[Roll], notes: Mapping[int, RollNote], day: int) -> Iterator[Held]:
    for roll in rolls:
        note = notes[roll.id]
        if roll.day == day and note.hold is not None:
            by = f"{shown(note.hold_by or 'somebody')} said: {shown(note.hold)}"
            yield Held(
                roll.name,
                by,
                f"when that is settled: ingest rolls set {typed(roll.name)} --no-hold",
            )


def _due(catalog: Catalog, today: date) -> Iterator[CardDue]:
    for card in catalog.cards_known():
        if card.due is not None and card.due <= today and card.returned is None:
            yield CardDue(card.label, card.due)
