"""The slate: a log loaded, clips linked to takes, one take set by hand."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    Clip,
    ClipRole,
    FileRecord,
    Observer,
    Rating,
    SlateRow,
    Sure,
    TakeLink,
)
from ingest.errors import UsageError
from ingest.jobs.clocks import clocks_as_told
from ingest.jobs.find import choose_production, find_clip
from ingest.jobs.owed import planned_shots
from ingest.jobs.scratch_sound import recall
from ingest.settings import Settings
from ingest.slate.changes import Changes, compare_rows
from ingest.slate.conflicts import find_conflicts
from ingest.slate.days import shoot_days, with_days
from ingest.slate.label_rates import LabelRates
from ingest.slate.log import read_log
from ingest.slate.matching import ClockOffset, Matching, match
from ingest.slate.matching.by_waveform import Sounded, further_pairs, pairs, weigh
from ingest.slate.names import camera_key, same_scene, same_take
from ingest.slate.pool import Conflict
from ingest.slate.questions import Question, open_questions

__all__ = [
    "LoadResult",
    "MatchResult",
    "SetResult",
    "load_log",
    "match_clips",
    "match_production",
    "set_take",
]

_MAX_NAME = 200

Hear = Callable[
    [Catalog, Sequence[Clip], Sequence[tuple[int, int]]], Mapping[tuple[int, int], Sounded]
]
"""Compares waveforms: of a production's clips, pairs of ids of picture and sound file."""


@dataclass(frozen=True, slots=True)
class MatchResult:
    """What a matching of a whole production left."""

    production: str
    clips: Mapping[int, Clip]
    """Every clip of the production, by id."""
    rows: int
    """Rows of all its logs."""
    matching: Matching
    conflicts: tuple[Conflict, ...]
    """Those found while matching, then those between what stands."""
    clocks: tuple[ClockOffset, ...]
    """As `Matching.clocks`, with the number that `ingest wrap` tells too (`jobs.clocks`)."""

    @property
    def questions(self) -> tuple[Question, ...]:
        """What to ask a person: one question a clip that is open."""
        found = self.matching
        return open_questions(self.clips.values(), found.links, self.conflicts, found.candidates)

    @property
    def is_open(self) -> bool:
        """A row has no clip, a link is open, or something contradicts.

        A clip without a take is told but not open: much is shot without a slate.
        """
        found = self.matching
        doubtful = any(link.sure is Sure.OPEN for link in found.links)
        return bool(found.rows_without_clip or self.conflicts or doubtful)

    def count(self, sure: Sure) -> int:
        """Links of this sureness, those set by hand left out."""
        return sum(link.sure is sure and not link.by_hand for link in self.matching.links)

    @property
    def by_hand(self) -> int:
        return sum(link.by_hand for link in self.matching.links)


@dataclass(frozen=True, slots=True)
class LoadResult:
    log: str
    guessed: str | None
    """The encoding it was read with, where that is a guess."""
    rows: int
    before: int
    """Rows that the log of this name held before; 0 when it is loaded for the first time."""
    changes: Changes
    match: MatchResult


@dataclass(frozen=True, slots=True)
class SetResult:
    clip: Clip
    link: TakeLink


def load_log(
    catalog: Catalog,
    production: str | None,
    path: str,
    observer: Observer,
    *,
    sheet: str | None = None,
    settings: Settings | None = None,
) -> LoadResult:
    """Load a slate log, in place of what the log of this file name said before, and match anew.

    `sheet` names a workbook's sheet; `settings` say the shoot days in order and the frame rates.
    Raises BadLog (nothing is loaded then), NotKnown, UsageError.
    """
    chosen = choose_production(catalog, production)
    settings = settings or Settings()
    numbers = shoot_days(settings.days, catalog.rolls(production=chosen))
    own = {letter: one.frame_rate for letter, one in settings.devices.items() if one.frame_rate}
    rates = LabelRates(settings.frame_rate, own)
    read = read_log(path, sheet=sheet, shoot_dates=numbers, rates=rates)
    rows, log = read.rows, read.rows[0].log
    before = [row for row in catalog.slate(chosen) if row.log == log]
    catalog.load_slate(chosen, log, rows, observer)
    return LoadResult(
        log=log,
        guessed=read.guessed,
        rows=len(rows),
        before=len(before),
        changes=compare_rows(before, rows),
        match=match_production(catalog, chosen, settings=settings),
    )


def match_production(
    catalog: Catalog,
    production: str | None = None,
    *,
    settings: Settings | None = None,
    hear: Hear | None = None,
) -> MatchResult:
    """Link all clips of a production to takes anew; links set by hand stay.

    `settings` say the shoot days, the hour a day ends, the time zone, and how files are named.
    `hear` compares the waveforms of what isn't sure; None: nothing is listened to, and what was
    heard before counts.
    """
    settings = settings or Settings()
    chosen = choose_production(catalog, production)
    rolls = catalog.rolls(production=chosen)
    clips = catalog.clips(rolls)
    ids = [clip.id for clip in clips]
    links = [link for some in catalog.links(ids).values() for link in some]
    rows = with_days(catalog.slate(chosen), shoot_days(settings.days, rolls))
    found = match_clips(catalog, settings, clips, rows, links)
    if wanted := pairs(clips, found):
        compare = hear or recall
        heard = dict(compare(catalog, clips, wanted))
        if further := further_pairs(clips, found, heard):
            heard |= compare(catalog, clips, further)
        found = weigh(clips, found, heard)
    catalog.replace_links(ids, found.links)
    planned = planned_shots(catalog, chosen, settings.days)
    between = find_conflicts(clips, rows, found.links, planned, known=found.conflicts)
    return MatchResult(
        production=chosen,
        clips={clip.id: clip for clip in clips},
        rows=len(rows),
        matching=found,
        conflicts=(*found.conflicts, *between),
        clocks=clocks_as_told(clips, found.links, found.clocks),
    )


def match_clips(
    catalog: Catalog,
    settings: Settings,
    clips: Sequence[Clip],
    rows: Sequence[SlateRow],
    links: Iterable[TakeLink],
) -> Matching:
    """What clips and rows of one production come to, by ingest.toml and the times of the files;
    those of the links that were set by hand stand. Reads only."""
    rolls = list({clip.roll.id: clip.roll for clip in clips}.values())
    return match(
        clips,
        rows,
        [link for link in links if link.by_hand],
        modified=_modified(clips, catalog.files(rolls)),
        zone=ZoneInfo(settings.time_zone) if settings.time_zone else None,
        day_ends=settings.day_ends,
        names=settings.names,
    )


def _modified(clips: Sequence[Clip], files: Sequence[FileRecord]) -> dict[int, int]:
    """By clip id when its last span was written, as the card stated it: nanoseconds since 1970."""
    times = {(file.roll_id, file.path): file.mtime_ns for file in files}
    found: dict[int, int] = {}
    for clip in clips:
        spans = [file.path for file in clip.files if file.role is ClipRole.SPAN]
        if spans and (time := times.get((clip.roll.id, spans[-1]))):
            found[clip.id] = time
    return found


def set_take(
    catalog: Catalog,
    clip_text: str,
    scene: str,
    take: str,
    shot: str | None,
    rating: Rating | None,
    note: str | None,
    observer: Observer,
    *,
    production: str | None = None,
) -> SetResult:
    """Say by hand which take a clip holds. It beats every other link and is never changed.

    Shot, rating and note that aren't given come from the log's row of that take, where there is
    one. Raises NotKnown, Ambiguous, UsageError.
    """
    scene, take = " ".join(scene.split()), " ".join(take.split())
    for name, text in (("scene", scene), ("take", take)):
        if not text or len(text) > _MAX_NAME:
            raise UsageError(f"The {name} is empty or too long.", do=f"give it with --{name}")
    clip = find_clip(catalog, clip_text, production)
    row = _logged(catalog.slate(clip.roll.production), clip, scene, take)
    basis = f"set by hand by {observer.who}"
    if row is not None:
        if (shot is None and row.shot) or (rating is None and row.rating):
            basis += f"; shot and rating as in {row.log} row {row.row}"
        shot = shot if shot is not None else row.shot
        rating = rating or row.rating
        note = note if note is not None else row.note
    link = TakeLink(clip.id, scene, take, shot, rating, Sure.SURE, basis, note, by_hand=True)
    catalog.set_link(link, observer)
    return SetResult(clip, link)


def _logged(rows: Sequence[SlateRow], clip: Clip, scene: str, take: str) -> SlateRow | None:
    fitting = [
        row
        for row in rows
        if same_scene(row.scene, scene)
        and same_take(row.take, take)
        and row.day in (None, clip.roll.day)
    ]
    own = camera_key(clip.roll.camera) if clip.roll.camera else ""
    for row in fitting:
        if row.camera and camera_key(row.camera) == own:
            return row
    return next((row for row in fitting if not row.camera), fitting[0] if fitting else None)
