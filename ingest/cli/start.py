"""`ingest start`: six questions, and a production has its ingest.toml and its drives."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from ingest.cli.answers import (
    devices_said,
    devices_typed,
    likely_kinds,
    read_copies,
    read_days,
    read_devices,
    read_frame_rate,
    read_name,
)
from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode, IngestError, UsageError
from ingest.names import shown
from ingest.settings import FILE, DeviceSettings, find_settings, shoot_date
from ingest.settings.values import DAY_ENDS
from ingest.wording import counted, size, whole

if TYPE_CHECKING:
    from ingest.jobs.around import Around
    from ingest.jobs.starting import DriveWished, Started

__all__ = ["command"]

_T = TypeVar("_T")

_NUMBERED = re.compile(r"([0-9]{1,3})(?:=([^@]*))?(?:@(.*))?")
"""A drive of the list that was shown: 1, 1=NAME, 1@PLACE, 1=NAME@PLACE."""


@job("start")
@click.argument("folder", required=False, metavar="[FOLDER]")
@click.option("--production", metavar="NAME", help="The production's name.")
@click.option("--days", metavar="DATES", help='"2026-03-14 to 2026-03-18", or dates with commas.')
@click.option("--frame-rate", metavar="RATE", help="The project's: 25, or 24000/1001.")
@click.option("--devices", metavar="LETTERS", help='Cameras / recorders / stills: "A B / S / P".')
@click.option(
    "--drive",
    "drives",
    multiple=True,
    metavar="FOLDER[=NAME][@PLACE]",
    help="Mark this drive. Repeatable.",
)
@click.option("--copies", metavar="N", help="Copies wanted, on different devices.")
@click.option("--time-zone", metavar="ZONE", help="IANA name; this machine's when left out.")
@click.option("--system-disk-ok", is_flag=True, help="A folder on this computer's own disk.")
def command(
    terminal: Terminal,
    folder: str | None,
    production: str | None,
    days: str | None,
    frame_rate: str | None,
    devices: str | None,
    drives: tuple[str, ...],
    copies: str | None,
    time_zone: str | None,
    system_disk_ok: bool,
) -> int:
    """Begin a production: write ingest.toml into FOLDER (here), mark its drives.

    Asks six questions at most; what an option says is not asked. Drives get a small marker
    file, by which they are known again, and a copy of ingest.toml at their root. Where
    ingest.toml is there already, it is left alone, and its copy is put on the drives.
    """
    from ingest.jobs.around import look_around
    from ingest.jobs.starting import start_production
    from ingest.platforms.zone import zone_name
    from ingest.settings.writing import Start

    place = Path(folder or ".").absolute()
    there = os.path.lexists(place / FILE)
    if there and (production or days or frame_rate or devices or copies or time_zone):
        raise UsageError(
            f"{shown(str(place / FILE))} is there already.",
            do="edit it, then ingest start without these options puts it on the drives",
        )
    ask = _Asker(terminal)
    with terminal.catalog() as catalog:
        around = look_around(catalog)
        wished = [_wished(text) for text in drives]
        start = None
        if not there:
            now = datetime.now().astimezone()
            start = Start(
                production=ask.production(production),
                days=ask.days(days, shoot_date(now, DAY_ENDS)),
                frame_rate=ask.frame_rate(frame_rate),
                devices=ask.devices(devices),
                time_zone=time_zone or zone_name(os.environ),
            )
            wished = wished or ask.drives(around)
            number = ask.copies(copies, len(wished))
            start = replace(start, copies=number)
        elif not wished:
            wished = _of_settings(place, around)
        started = start_production(
            catalog,
            place,
            start,
            wished,
            terminal.observer(),
            datetime.now(UTC),
            system_disk_ok=system_disk_ok,
        )
    taken = start.time_zone if start is not None and time_zone is None else None
    devices = devices_said(start.devices) if start is not None else ""
    terminal.answer(_document(started), _lines(started, devices, taken or ""))
    return ExitCode.WELL


def _of_settings(place: Path, around: Around) -> list[DriveWished]:
    """The drives that are here and that ingest.toml names."""
    from ingest.jobs.starting import DriveWished

    named = {name.casefold() for name in find_settings(place).drives}
    return [
        DriveWished(here.seen.root)
        for here in around.drives
        if here.seen is not None and not here.doubt and here.drive.name.casefold() in named
    ]


def _wished(text: str) -> DriveWished:
    from ingest.jobs.starting import DriveWished

    if os.path.isdir(text):
        return DriveWished(text)
    root, found, rest = text.rpartition("=")
    if found and os.path.isdir(root):
        name, _, where = rest.partition("@")
        return DriveWished(root, name or None, where or None)
    place, found, where = text.rpartition("@")
    if found and os.path.isdir(place):
        return DriveWished(place, None, where or None)
    raise UsageError(
        f"There is no folder at {shown(root or place or text)}.",
        do="name the folder at which the drive is mounted: --drive FOLDER=NAME",
    )


# Asking ---------------------------------------------------------------------------------------


class _Asker:
    """Asks what no option said, when a person sits here; else says which option to give."""

    def __init__(self, terminal: Terminal) -> None:
        self._terminal = terminal

    def production(self, given: str | None) -> str:
        if given is None and not self._terminal.interactive:
            raise UsageError("What is the production called?", do='say --production "NAME"')
        return self._answer("The production's name", given, "", read_name)

    def days(self, given: str | None, today: date) -> tuple[date, ...]:
        if given is None and not self._terminal.interactive:
            raise UsageError(
                "Which are the shoot days?", do='say --days "2026-03-14 to 2026-03-18"'
            )
        question = "Shoot days, first to last, or with commas"
        return self._answer(question, given, today.isoformat(), read_days)

    def frame_rate(self, given: str | None) -> Fraction | None:
        if given is None and not self._terminal.interactive:
            return None
        return self._answer("Frames a second of the project", given, "25", read_frame_rate)

    def devices(self, given: str | None) -> tuple[DeviceSettings, ...]:
        if given is None and not self._terminal.interactive:
            return ()
        if given is not None:
            if (likely := likely_kinds(given)) is not None:
                raise UsageError(
                    f"Are these {devices_said(likely)}, or cameras all of them?",
                    do=f'say it by slashes: --devices "{devices_typed(likely)}"; or with one slash '
                    f'behind the last: "{shown(given.strip())} /" for cameras alone',
                )
            return read_devices(given)
        self._terminal.note(
            "Letters of cameras / sound recorders / stills cameras, such as A B D / S / P"
        )
        text = self._answer("What records", None, "A", _checked)
        while (likely := likely_kinds(text)) is not None:
            self._terminal.note(f"  Taken for {devices_said(likely)}.")
            question = "Enter if that is so, c if all are cameras, or type them again"
            again = click.prompt(question, default="", show_default=False, err=True).strip()
            if not again:
                return likely
            if again == "c":
                break
            text = self._read(again, _checked) or text
        return read_devices(text)

    def copies(self, given: str | None, drives: int) -> int:
        if given is None and not self._terminal.interactive:
            return 2
        return self._answer(
            "Copies wanted of everything", given, str(max(2, min(drives, 9))), read_copies
        )

    def drives(self, around: Around) -> list[DriveWished]:
        if not self._terminal.interactive:
            return []
        choices = list(_choices(around))
        for number, (root, about) in enumerate(choices, 1):
            self._terminal.note(f"  {number}  {whole(root)}: {about}")
        for card in around.cards:
            self._terminal.note(f"     {whole(card.root)}: holds footage, so it may be a card")
        known = " ".join(str(n) for n, (_, about) in enumerate(choices, 1) if "known" in about)
        question = "Its drives, by number or folder, such as 1=NAME@PLACE"
        return self._answer(
            question, None, known or "none", lambda text: _drives(text, [one for one, _ in choices])
        )

    def _answer(
        self, question: str, given: str | None, default: str, read: Callable[[str], _T]
    ) -> _T:
        if given is not None:
            return read(given)
        while True:
            text = click.prompt(question, default=default or None, err=True)
            answer = self._read(str(text).strip(), read)
            if answer is not None:
                return answer

    def _read(self, text: str, read: Callable[[str], _T]) -> _T | None:
        """None for what can't be meant, after saying why."""
        try:
            return read(text)
        except IngestError as error:
            for line in error.lines():
                self._terminal.note(shown(line))
        return None


def _checked(text: str) -> str:
    """Letters of devices as they were typed, once they can be read."""
    read_devices(text)
    return text


def _choices(around: Around) -> Iterator[tuple[str, str]]:
    for here in around.drives:
        if here.seen is not None and here.volume is not None and not here.doubt:
            yield here.seen.root, f"known as {shown(here.drive.name)}, {_room(here.volume.free)}"
    for seen in around.strangers:
        yield seen.root, f"marked as {shown(seen.name)} elsewhere"
    for volume in around.blank:
        yield volume.root, f"{_room(volume.free)}, no drive yet"


def _room(free: int) -> str:
    return f"{size(free)} free"


def _drives(text: str, roots: Sequence[str]) -> list[DriveWished]:
    from ingest.jobs.starting import DriveWished

    if text.casefold() == "none":
        return []
    wished: list[DriveWished] = []
    for word in _parts(text):
        listed = _NUMBERED.fullmatch(word)
        if listed is None:
            wished.append(_wished(word))
        elif 1 <= int(listed[1]) <= len(roots):
            root = roots[int(listed[1]) - 1]
            wished.append(DriveWished(root, listed[2] or None, listed[3] or None))
        else:
            raise UsageError(
                f"There is no {listed[1]} in the list.", do="a number of it, or a folder"
            )
    if len({one.root for one in wished}) < len(wished):
        raise UsageError(
            "A drive is named twice.", do="put commas between the drives: 1@bag 1, 2@bag 2"
        )
    return wished


def _parts(text: str) -> list[str]:
    """Apart at commas, so that a place may have blanks in it; without any, at blanks."""
    if "," in text:
        return [part.strip() for part in text.split(",") if part.strip()]
    try:
        return shlex.split(text)
    except ValueError:
        raise UsageError("A quotation mark is not closed.", do="close it") from None


# The answer -------------------------------------------------------------------------------------


def _document(started: Started) -> dict[str, Any]:
    return {
        "file": started.file,
        "written": started.written,
        "production": started.production,
        "drives": [
            {
                "name": one.name,
                "root": one.root,
                "marked_now": one.new,
                "older": one.older or None,
            }
            for one in started.drives
        ],
    }


def _lines(started: Started, devices: str, zone: str) -> Iterator[str]:
    """`devices`: what records, as it was written now. `zone`: the time zone that nobody said and
    that was written all the same. Either may be empty."""
    name = shown(started.production or "")
    yield f"{name}: {whole(started.file)} {'is written' if started.written else 'is there'}."
    if devices:
        yield f"  It asks for {devices}."
    for one in started.drives:
        how = "marked" if one.new else "known already"
        yield f"  {shown(one.name)}: {how}; a copy of {FILE} lies at its root"
        yield f"      {whole(one.root)}"
        if one.older:
            yield f"      the one that lay there is called {one.older} now"
    if not started.drives:
        yield "  No drive was named. Do: ingest start again, with --drive FOLDER=NAME"
    elif len(started.drives) == 1:
        yield f"  {counted(1, 'drive')} is one copy. Do: ingest start again, with --drive FOLDER"
    for name in started.not_in_file:
        yield f"  Do: write [drive.{shown(name)}] into {FILE}, with the place it lives in"
    if zone:
        yield f"  Time zone: {shown(zone)}, as this computer has it."
        yield f"  Do: correct it in {FILE} if the cameras' clocks keep another"
    if started.written:
        yield "Do: read it once, it says what else can be said; then ingest offload"
