"""What to pack for tomorrow: gathered from the catalog, ingest.toml and the shot list. Reads only;
no card is looked at."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from fractions import Fraction
from typing import TypeVar

from ingest.assurance.kit import (
    CardKit,
    CardState,
    DriveKit,
    Hours,
    Kit,
    pack_device,
)
from ingest.assurance.reuse import Reason
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import CardKnown
from ingest.catalog.records import Clip, FileRecord, PlannedShot, Roll
from ingest.errors import UsageError
from ingest.jobs.custody.places import where_is
from ingest.jobs.devices import clip_sizes, device_letter, device_rates
from ingest.jobs.find import own_production
from ingest.jobs.known import DriveOverview, drive_overviews
from ingest.jobs.planned import planned_here
from ingest.jobs.reuse.last_known import LastKnown
from ingest.names import shown
from ingest.settings import Settings
from ingest.slate.names import camera_key
from ingest.wording import counted, length

__all__ = ["pack"]

_Value = TypeVar("_Value")


def pack(
    catalog: Catalog,
    settings: Settings,
    now: datetime,
    *,
    hours: Mapping[str, Fraction] | None = None,
    card_bytes: Mapping[str, int] | None = None,
    production: str | None = None,
) -> Kit:
    """The bag for the day after the last one that a roll is of.

    `hours` of footage and `card_bytes`, the size of a card, by device letter or name, as said;
    what isn't said comes from the shot list and from what was shot. Raises NotKnown, UsageError.
    """
    chosen = _production(catalog, settings, production)
    rolls = catalog.rolls(production=chosen)
    last = max((roll.day for roll in rolls), default=0)
    clips, files = catalog.clips(rolls), catalog.files(rolls)
    rates = device_rates(clips, clip_sizes(clips, files), settings)
    ids = {roll.id for roll in rolls}
    last_known = LastKnown(catalog, settings, now)
    days = _last_days(rolls)
    devices = _devices(settings, rates)
    said = _by_letter(hours or {}, devices, settings, "--hours")
    sizes = _by_letter(card_bytes or {}, devices, settings, "--card-size")
    planned = planned_here(catalog, settings, chosen)
    by_device: defaultdict[str, list[CardKit]] = defaultdict(list)
    for card in catalog.cards_known():
        mine = [roll for roll in card.rolls if roll.id in ids]
        if card.returned is not None or card.built_in or (card.rolls and not mine):
            continue
        key = camera_key(device_letter(mine[-1])) if mine else ""
        reasons = last_known.holds(card) if card.offloads else ()
        by_device[key].append(_card(card, reasons, days, files))
    kits = []
    for letter, (kind, name) in devices.items():
        key = camera_key(letter)
        told = (
            Hours(said[key], "as said", said=True)
            if key in said
            else _hours(letter, clips, planned, last)
        )
        cards = by_device.pop(key, [])
        rate = rates.get(letter)
        kits.append(pack_device(letter, kind, name, rate, told, cards, sizes.get(key)))
    return Kit(
        day=last + 1,
        devices=tuple(kits),
        drives=tuple(_drives(drive_overviews(catalog, now), settings, now)),
        copies=settings.copies_wanted,
        other_cards=tuple(card for some in by_device.values() for card in some),
    )


def _production(catalog: Catalog, settings: Settings, asked: str | None) -> str:
    """As `own_production`; but that of ingest.toml has a bag to pack before its first card is in,
    and another one that is in already is not meant."""
    named = settings.production
    known = {name.casefold() for name in catalog.productions()}
    if named is not None and asked in (None, named) and named.casefold() not in known:
        return named
    return own_production(catalog, settings, asked)


def _devices(settings: Settings, rates: Mapping[str, object]) -> dict[str, tuple[str, str]]:
    """Letter to kind and name: those of ingest.toml, then those that came in besides."""
    found = {one.letter: (str(one.kind), one.name or "") for one in settings.devices.values()}
    known = {camera_key(letter) for letter in found}
    return found | {letter: ("camera", "") for letter in rates if camera_key(letter) not in known}


def _by_letter(
    said: Mapping[str, _Value],
    devices: Mapping[str, tuple[str, str]],
    settings: Settings,
    option: str,
) -> dict[str, _Value]:
    found: dict[str, _Value] = {}
    named = {camera_key(name): letter for letter, (_, name) in devices.items() if name}
    for text, value in said.items():
        key = camera_key(text)
        if key not in map(camera_key, devices) and key not in named:
            raise UsageError(
                f"No device {shown(text)} is known.",
                do=f"name one of {', '.join(map(shown, devices)) or 'those of ingest.toml'} "
                f"with {option}",
            )
        found[camera_key(named.get(key, text))] = value
    return found


# Cards --------------------------------------------------------------------------------------------


def _last_days(rolls: Iterable[Roll]) -> Mapping[str, int]:
    """The last day of each device, by its key."""
    days: dict[str, int] = {}
    for roll in rolls:
        key = camera_key(device_letter(roll))
        days[key] = max(days.get(key, 0), roll.day)
    return days


def _card(
    card: CardKnown,
    reasons: Sequence[Reason],
    last_days: Mapping[str, int],
    files: Sequence[FileRecord],
) -> CardKit:
    """How one card stands; `reasons`: why it would be held, of one that came in."""
    if not card.offloads:
        return CardKit(card.label, CardState.NEVER_IN, "never came in", card.due)
    offloads = {offload.id for offload in card.offloads}
    by_roll: defaultdict[int, int] = defaultdict(int)
    for file in files:
        if file.offload_id in offloads:
            by_roll[file.roll_id] += file.size
    most = max(by_roll.values(), default=0)
    if reasons:
        more = f", and {counted(len(reasons) - 1, 'more reason')}" if len(reasons) > 1 else ""
        why = f"{reasons[0].why}{more}"
        return CardKit(card.label, CardState.HOLD, why, card.due, most, tuple(reasons))
    roll = card.rolls[-1]
    last = last_days.get(camera_key(device_letter(roll)), roll.day)
    seen = f"{card.last_in:%Y-%m-%d}" if card.last_in is not None else "?"
    if roll.day < last:
        why = f"not seen since day {roll.day}, and its device shot day {last}"
        return CardKit(card.label, CardState.AWAY, why, card.due, most)
    why = f"in as {shown(roll.name)}, all copies good on {seen}"
    return CardKit(card.label, CardState.READY, why, card.due, most)


# Hours and drives ---------------------------------------------------------------------------------


def _hours(
    letter: str, clips: Iterable[Clip], planned: Sequence[PlannedShot], last: int
) -> Hours | None:
    """Hours of footage tomorrow: as much a planned shot as so far, where a shot list tells how
    many there are; else as on its fullest day. None for what has no length."""
    by_day: defaultdict[int, Fraction] = defaultdict(Fraction)
    for clip in clips:
        if camera_key(device_letter(clip.roll)) == camera_key(letter):
            by_day[clip.roll.day] += clip.facts.duration_seconds or 0
    total = sum(by_day.values(), Fraction(0))
    if not total:
        return None

    def of_camera(shot: PlannedShot) -> bool:
        return not shot.cameras or camera_key(letter) in map(camera_key, shot.cameras)

    days = {shot.day for shot in planned if shot.day is not None}
    tomorrow = sum(shot.day == last + 1 for shot in planned)
    so_far = sum(shot.day is not None and shot.day <= last and of_camera(shot) for shot in planned)
    if so_far and last + 1 in days:
        mine = sum(shot.day == last + 1 and of_camera(shot) for shot in planned)
        each = total / so_far
        words = f"{counted(mine, 'planned shot')} of {tomorrow}, {length(each)} a shot so far"
        return Hours(each * mine / 3600, words)
    fullest = max(by_day, key=lambda day: by_day[day])
    return Hours(by_day[fullest] / 3600, f"as on day {fullest}, its fullest")


def _drives(
    overviews: Iterable[DriveOverview], settings: Settings, now: datetime
) -> Iterable[DriveKit]:
    known = set()
    for one in overviews:
        known.add(one.here.drive.name.casefold())
        if one.place.gone:
            continue
        volume = one.here.volume if not one.here.doubt else None
        yield DriveKit(
            name=one.here.drive.name,
            place=where_is(one.place, settings) or "",
            free=volume.free if volume is not None else None,
            audit_due=_audit_due(one, settings, now),
        )
    for drive in settings.drives.values():
        if drive.name.casefold() not in known:
            yield DriveKit(drive.name, drive.where or "", None, "")


def _audit_due(one: DriveOverview, settings: Settings, now: datetime) -> str:
    every = settings.policy.audit_every
    if one.tally.bad or one.tally.doubtful:
        return "a copy on it is damaged, missing or doubtful"
    if every is None or one.tally.oldest is None:
        return ""
    age = (now - one.tally.oldest).days
    return f"last read {age} days ago, every {every} asked for" if age >= every else ""
