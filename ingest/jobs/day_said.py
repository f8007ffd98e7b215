"""What a person says of a shoot day: a device was idle, a finding is settled. Each word is kept,
with who said it and when."""

from __future__ import annotations

from collections.abc import Iterable

from ingest.assurance.day.values import SHOT, Finding, Wrapped
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About
from ingest.catalog.records import Observer
from ingest.errors import UsageError
from ingest.names import shown
from ingest.settings import Settings
from ingest.slate.names import camera_key
from ingest.wording import listed

__all__ = ["reopen", "said_of", "say_idle", "settle"]


def say_idle(
    catalog: Catalog,
    settings: Settings,
    production: str,
    day: int,
    letters: Iterable[str],
    observer: Observer,
) -> None:
    """Write down that these devices were not used that day. Raises UsageError for a letter that
    ingest.toml doesn't have, where it has any."""
    known = {camera_key(letter): letter for letter in settings.devices}
    names = {camera_key(one.name): one.letter for one in settings.devices.values() if one.name}
    for letter in letters:
        key = camera_key(letter)
        if known and key not in known and key not in names:
            raise UsageError(
                f"ingest.toml has no device {shown(letter)}.",
                do=f"name one of {', '.join(map(shown, settings.devices))}",
            )
        meant = known.get(key) or names.get(key) or letter
        catalog.note_change(observer, About.DAY, f"{production}/{day}", "idle", {"device": meant})


def settle(
    catalog: Catalog,
    production: str,
    wrapped: Wrapped,
    keys: Iterable[str],
    note: str,
    observer: Observer,
) -> None:
    """Write down that findings of these keys are settled. Raises UsageError for a key that is not
    open, or that can't be settled by saying so."""
    by_key = _by_key(wrapped.open)
    for key in keys:
        if key.casefold() not in by_key:
            known = (
                listed(list(dict.fromkeys(one.key for one in wrapped.open if one.key)), 8)
                or "nothing"
            )
            raise UsageError(
                f"Nothing that is open on day {wrapped.day} can be settled as {shown(key)}.",
                do=f"name one of these with --settle: {known}; what concerns copies is mended, "
                "not settled",
            )
    subject = f"{production}/{wrapped.day}"
    for key in keys:
        for one in by_key[key.casefold()]:
            value = {"key": one, "note": note}
            catalog.note_change(observer, About.DAY, subject, "settled", value)


def _by_key(findings: Iterable[Finding]) -> dict[str, list[str]]:
    """What is written down of the findings that a key names, or of one clip of many; by the key as
    somebody may type it in any case."""
    found: dict[str, list[str]] = {}
    for one in findings:
        found.setdefault(shown(one.key).casefold(), []).extend(one.settled_by)
        found.update((shown(clip).casefold(), [clip]) for clip in one.clips)
    found.pop("", None)
    return found


def reopen(
    catalog: Catalog, production: str, wrapped: Wrapped, keys: Iterable[str], observer: Observer
) -> None:
    """Take back that a finding is settled, or that a device was idle; the history is kept.

    Raises UsageError when nobody said so.
    """
    day = wrapped.day
    idle, settled = said_of(catalog, production, day)
    said = {shown(key).casefold(): [key] for key in (*idle, *settled)}
    said |= _by_key(one for one, _ in wrapped.settled)
    names = dict.fromkeys([*idle, *(one.key for one, _ in wrapped.settled), *settled])
    for key in keys:
        if key.casefold() not in said:
            raise UsageError(
                f"Nobody said of {shown(key)} that it is settled or was idle on day {day}.",
                do=f"name one of these: {listed(list(names), 8)}"
                if said
                else "look at what is open: ingest wrap",
            )
        for one in said[key.casefold()]:
            value = {"key": one}
            catalog.note_change(observer, About.DAY, f"{production}/{day}", "open", value)


def said_of(catalog: Catalog, production: str, day: int) -> tuple[frozenset[str], dict[str, str]]:
    """Devices said to be idle that day, and what is settled, with what was said. A planned shot
    that was settled on an earlier day stays so: it was dropped."""
    subjects = {f"{production}/{number}" for number in range(1, day + 1)}
    today = f"{production}/{day}"
    idle: set[str] = set()
    settled: dict[str, str] = {}
    for change in catalog.changes(About.DAY):
        if change.subject not in subjects:
            continue
        key = str(change.value.get("key") or change.value.get("device") or "")
        if change.subject != today and not key.startswith(SHOT):
            continue
        if change.what == "idle":
            idle.add(key)
        elif change.what == "settled":
            note = str(change.value.get("note") or "")
            who = f"settled by {shown(change.observer.who)} on {change.at:%Y-%m-%d}"
            settled[key] = f"{who}: {shown(note)}" if note else who
        elif change.what == "open":
            idle.discard(key)
            settled.pop(key, None)
    return frozenset(idle), settled
