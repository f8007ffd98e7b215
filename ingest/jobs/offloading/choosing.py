"""Which roll and which shoot day a card is, the likeliest first: decided from the catalog alone."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date

from ingest.card.inventory import CardFile
from ingest.card.rolls import next_free, propose
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import FileRecord, Roll
from ingest.errors import BadDestination, UsageError
from ingest.jobs.offloading.values import Request
from ingest.names import shown
from ingest.settings import shoot_date

__all__ = ["Choice", "choices", "next_free_name"]

_TRIES = 50


class Choice:
    """One roll that the card could be."""

    def __init__(
        self, roll: str, camera: str | None, because: str, day: int, on: date, joins: Roll | None
    ) -> None:
        self.roll, self.camera, self.because = roll, camera, because
        self.day, self.date, self.joins = day, on, joins
        self.id = joins.id if joins is not None else -1


def next_free_name(choice: Choice, rolls: Sequence[Roll]) -> str:
    """The next roll name after a choice that is taken."""
    letter = choice.roll[:1] if choice.roll[1:].isdigit() else "X"
    return next_free(letter, [roll.name for roll in rolls] + [choice.roll])


def choices(
    request: Request,
    catalog: Catalog,
    rolls: Sequence[Roll],
    files: Sequence[CardFile],
    fresh: Sequence[CardFile],
    known: Mapping[str, FileRecord],
    label: str,
    taken: Collection[str],
) -> Iterator[Choice]:
    """The rolls that this card could be, the likeliest first."""
    today = shoot_date(request.now, request.settings.day_ends)
    day, on = _day(request, rolls, today)
    by_id = {roll.id: roll for roll in rolls}
    filled = {record.roll_id for record in catalog.files(rolls)}
    earlier = [by_id[roll_id] for roll_id in sorted({r.roll_id for r in known.values()})]
    if request.roll is not None:
        if request.roll.casefold() in {name.casefold() for name in taken}:
            raise UsageError(f"Two cards can't both be roll {shown(request.roll)}.")
        named = next((r for r in rolls if r.name.casefold() == request.roll.casefold()), None)
        if named is None:
            guess = propose([f.path for f in files], label, camera=request.camera, used=())
            yield Choice(request.roll, request.camera or guess.camera, "as named", day, on, None)
            return
        if named.id in filled and named not in earlier:
            free = next_free_name(_joined(named, ""), rolls)
            raise BadDestination(
                f"The roll {shown(named.name)} holds other content already "
                f"(day {named.day}, card {shown(named.card)}).",
                do=f"--roll {free}, the next free number, or leave --roll out",
            )
        yield _joined(named, "as named")
        return
    if earlier:
        last = earlier[-1]
        if not fresh:
            yield _joined(last, "everything on this card is known")
            return
        if last.date == on.isoformat() or _open(catalog, last):
            yield _joined(last, "this card is continued")
            return
    used = [*taken, *(roll.name for roll in rolls if roll.id in filled)]
    camera = request.camera or (earlier[-1].camera if earlier else None)
    if earlier and earlier[-1].name[1:].isdigit():
        free = next_free(earlier[-1].name[0], used, width=len(earlier[-1].name) - 1)
        because = f"the card was {earlier[-1].name} before, and went on"
        yield Choice(free, camera, because, day, on, None)
        used.append(free)
    for _ in range(_TRIES):
        guess = propose([file.path for file in files], label, camera=camera, used=used)
        empty = next((r for r in rolls if r.name == guess.roll and r.id not in filled), None)
        choice = Choice(guess.roll, guess.camera, guess.because, day, on, None)
        if empty is not None:
            choice = Choice(empty.name, empty.camera, guess.because, empty.day, _date(empty), empty)
        yield choice
        used.append(guess.roll)


def _joined(roll: Roll, because: str) -> Choice:
    return Choice(roll.name, roll.camera, because, roll.day, _date(roll), roll)


def _date(roll: Roll) -> date:
    return date.fromisoformat(roll.date)


def _open(catalog: Catalog, roll: Roll) -> bool:
    """Its last offload was cut off or stopped: what is left of it still belongs to it."""
    offloads = catalog.offloads([roll])
    if not offloads:
        return False
    end = offloads[-1].end
    return end is None or end.verdict == "stopped"


def _day(request: Request, rolls: Sequence[Roll], today: date) -> tuple[int, date]:
    """The shoot day's number and date: as asked, by ingest.toml, by what is in, else the next
    number that neither of them gives to another date."""
    days = request.settings.days
    if request.day is not None:
        if request.day < 1:
            raise UsageError("A shoot day counts from 1.", do="--day 1")
        if request.day <= len(days):
            return request.day, days[request.day - 1]
        same = next((roll for roll in rolls if roll.day == request.day), None)
        return request.day, _date(same) if same is not None else today
    if today in days:
        return days.index(today) + 1, today
    same = next((roll for roll in rolls if _date(roll) == today), None)
    if same is not None:
        return same.day, today
    return max(len(days), *(roll.day for roll in rolls), 0) + 1, today
