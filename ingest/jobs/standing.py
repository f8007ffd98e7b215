"""Where things stand: cards in, drives in, what is open today. Reads only, and is quick."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from ingest.assurance.day.verdict import judge_day
from ingest.card.inventory import Inventory, inventory
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import CardKnown, DrivePlace, RollNote
from ingest.catalog.records import Roll
from ingest.drives import Volume
from ingest.errors import BadCard, IngestError
from ingest.jobs.around import Around, look_around, volume_name
from ingest.jobs.day_facts import gather_day
from ingest.jobs.day_said import said_of
from ingest.jobs.known import DriveHere, RollOverview, roll_overviews
from ingest.media.health import HealthState
from ingest.names import shown, typed
from ingest.settings import Settings, shoot_date
from ingest.wording import counted, listed

__all__ = ["CardIn", "DriveIn", "Open", "Standing", "open_today", "where_things_stand"]


@dataclass(frozen=True, slots=True)
class CardIn:
    label: str
    root: str
    files: int
    bytes: int
    seems: str
    """The roll that most of its files seem to be in as, by names and sizes alone; or empty."""
    new: int
    """Files of no such name and size in the catalog."""


@dataclass(frozen=True, slots=True)
class DriveIn:
    name: str
    root: str
    free: int | None
    here: DriveHere | None
    """None: another catalog marked it."""
    place: DrivePlace | None


@dataclass(frozen=True, slots=True)
class Open:
    kind: str
    what: str
    do: str
    because: str = ""
    """What it rests on, where `what` doesn't say it."""


@dataclass(frozen=True, slots=True)
class Standing:
    day: int | None
    """Number of today's shoot day, where ingest.toml names the days."""
    date: date
    cards: tuple[CardIn, ...]
    drives: tuple[DriveIn, ...]
    others: tuple[Volume, ...]
    """Volumes that are neither: they could become drives."""
    open: tuple[Open, ...]
    rolls_today: tuple[str, ...]


def where_things_stand(catalog: Catalog | None, settings: Settings, now: datetime) -> Standing:
    """`catalog` None: there is none yet. `now`: aware, in the production's zone."""
    around = look_around(catalog)
    today = shoot_date(now, settings.day_ends)
    cards = tuple(_card(volume, catalog) for volume in around.cards)
    number = settings.days.index(today) + 1 if today in settings.days else None
    if catalog is None:
        drives = tuple(_drives(around, {}))
        return Standing(number, today, cards, drives, around.blank, (), ())
    rolls = catalog.rolls(production=settings.production)
    of_today = [roll for roll in rolls if roll.date == today.isoformat()]
    found = _by_the_day(catalog, settings, of_today, now)
    if found is None:
        notes = catalog.roll_notes(rolls)
        found = tuple(
            open_today(
                roll_overviews(catalog, rolls, now),
                [notes[roll.id] for roll in rolls],
                catalog.cards_known(),
                settings.copies_wanted,
                now.date(),
                broken=_broken(catalog, rolls, notes),
            )
        )
    return Standing(
        day=number,
        date=today,
        cards=cards,
        drives=tuple(_drives(around, catalog.drive_places())),
        others=around.blank,
        open=found,
        rolls_today=tuple(roll.name for roll in of_today),
    )


def _by_the_day(
    catalog: Catalog, settings: Settings, of_today: Sequence[Roll], now: datetime
) -> tuple[Open, ...] | None:
    """What the end of the day would find open now; None while nothing of one production's day is
    in, or when it can't be judged."""
    if len({(roll.production, roll.day) for roll in of_today}) != 1:
        return None
    one = of_today[0]
    try:
        facts = gather_day(catalog, settings, one.production, one.day, now)
    except IngestError:
        return None  # a shot list that can't be read: ingest wrap says what is wrong with it
    return tuple(
        Open(str(found.kind), found.what, found.do, found.because)
        for found in judge_day(facts).open
    )


def open_today(
    rolls: Sequence[RollOverview],
    notes: Sequence[RollNote],
    cards: Sequence[CardKnown],
    wanted: int,
    today: date,
    *,
    broken: Mapping[int, Sequence[str]],
) -> Iterator[Open]:
    """What is open, the most urgent first: problems, offloads cut off, broken clips, copies owed,
    holds, cards overdue. `notes`: one for each roll; `broken`: names of clips by roll id. Pure."""
    named = [(one, shown(one.roll.name), note) for one, note in zip(rolls, notes, strict=True)]
    for one, name, _ in named:
        if one.state == "problem":
            bad = ", ".join(
                shown(on.here.drive.name) for on in one.drives if on.tally.bad or on.tally.doubtful
            )
            yield Open(
                "problem",
                f"{name}: a copy is damaged, missing or doubtful ({bad})",
                f"keep its card; ingest audit, then ingest mend {bad}",
            )
    for one, name, _ in named:
        if not one.finished:
            yield Open(
                "unfinished",
                f"{name}: its offload was cut off",
                "put the card in and run ingest offload again: it goes on",
            )
    for one, name, _ in named:
        if clips := broken.get(one.roll.id):
            are = "is" if len(clips) == 1 else "are"
            yield Open(
                "broken",
                f"{name}: {counted(len(clips), 'clip')} {are} broken ({listed(clips, 3)})",
                "view it in its camera before the card is used again, and shoot it again while "
                f"the set stands; then: ingest rolls set {typed(name)} --viewed WHO",
            )
    for one, name, _ in named:
        if one.finished and one.files and one.copies < wanted:
            count = {0: "no proven copy", 1: "one proven copy"}.get(
                one.copies, f"{one.copies} proven copies"
            )
            away = [
                shown(on.here.drive.name)
                for on in one.drives
                if on.here.volume is None and not on.place.gone
            ]
            look = f"plug in {', '.join(away)} and look again; else " if away else ""
            yield Open(
                "copies",
                f"{name}: {count} on separate devices, {wanted} wanted",
                f"{look}ingest copy --roll {typed(name)} --to another drive; keep its card",
            )
    for _, name, note in named:
        if note.hold is not None:
            yield Open(
                "hold",
                f"{name} is held by {shown(note.hold_by or '?')}: {shown(note.hold)}",
                f"when that is settled: ingest rolls set {typed(name)} --no-hold",
            )
    for card in cards:
        if card.due is not None and card.due < today and card.returned is None:
            yield Open(
                "card",
                f"card {shown(card.label)} was due back on {card.due}",
                f"bring it back, then: ingest cards set {typed(card.label)} --returned",
            )


def _broken(
    catalog: Catalog, rolls: Sequence[Roll], notes: Mapping[int, RollNote]
) -> dict[int, list[str]]:
    """Broken clips by roll id, where nobody has viewed the roll and the day's end has not settled
    them."""
    found: defaultdict[int, list[str]] = defaultdict(list)
    for clip in catalog.clips([roll for roll in rolls if notes[roll.id].viewed_by is None]):
        if clip.health is not None and clip.health.state is HealthState.BROKEN:
            found[clip.roll.id].append(clip.full_name)
    for roll in (roll for roll in rolls if roll.id in found):
        _, settled = said_of(catalog, roll.production, roll.day)
        found[roll.id] = [name for name in found[roll.id] if name not in settled]
    return found


def _card(volume: Volume, catalog: Catalog | None) -> CardIn:
    try:
        found = inventory(volume.root)
    except (BadCard, OSError):
        found = Inventory(volume.root, ())
    seems, known = "", 0
    if catalog is not None and found.files:
        keys = [(file.path, file.size) for file in found.files]
        like = catalog.files_like(keys)
        counts = Counter(record.roll_id for records in like.values() for record in records)
        if counts:
            seems = catalog.roll_by_id(counts.most_common(1)[0][0]).name
        known = len(like)
    return CardIn(
        label=volume_name(volume),
        root=volume.root,
        files=len(found.files),
        bytes=found.bytes,
        seems=seems,
        new=len(found.files) - known,
    )


def _drives(around: Around, places: Mapping[int, DrivePlace]) -> Iterator[DriveIn]:
    for here in around.drives:
        if here.volume is not None:
            yield DriveIn(
                here.drive.name,
                here.volume.root,
                here.volume.free,
                here,
                places.get(here.drive.id),
            )
    for seen in around.strangers:
        yield DriveIn(seen.name, seen.root, None, None, None)
