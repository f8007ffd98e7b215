"""May this card be used again? Gathers what the verdict needs: the card as it is now, what was
copied, the evidence, and every copy looked at once more. It never wipes, and never writes to
the card or to a drive.
"""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from ingest.assurance.audit import Expected, Judged, judge
from ingest.assurance.rereading import Item, find, gone
from ingest.assurance.reuse import (
    CardFound,
    CopyNow,
    DriveNow,
    FileNow,
    Hold,
    Known,
    Looked,
    Policy,
    Undecoded,
    Verdict,
    judge_card,
)
from ingest.assurance.state import CopyState, copy_state
from ingest.card.inventory import CardFile, Inventory, inventory
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Clip, Copy, FileRecord, Look, NewLook, Observer
from ingest.copying.reading import open_root, read_cold, sample_in
from ingest.copying.tree import Tree
from ingest.drives import Volume, look_at, recognise
from ingest.errors import BadCard
from ingest.evidence import Act, Against, State
from ingest.jobs.custody.places import is_offsite, where_is
from ingest.jobs.known import DriveHere, drives_here
from ingest.media.facts import ClipKind
from ingest.media.health import Depth, Severity
from ingest.media.kinds import is_raw
from ingest.names import shown
from ingest.settings import Settings

__all__ = ["CardJudged", "Progress", "is_decoded", "judge_reuse", "production_date"]


@dataclass(frozen=True, slots=True)
class Progress:
    """`what`: the card's or a drive's name. Counts files."""

    what: str
    done: int
    total: int


@dataclass(frozen=True, slots=True)
class CardJudged:
    label: str
    root: str
    """What was judged: the whole volume, whatever folder of it was named."""
    verdict: Verdict
    files: int
    bytes: int
    litter: int
    not_followed: tuple[tuple[str, str], ...]
    """Links and the like, by path and kind: they hold no footage, and are named."""


def judge_reuse(
    catalog: Catalog,
    observer: Observer,
    card: str,
    policy: Policy,
    *,
    run: str,
    now: Callable[[], datetime],
    tell: Callable[[Progress], None],
    settings: Settings | None = None,
    reread: bool = False,
) -> CardJudged:
    """Judge the card at `card` by the evidence, with everything looked at now.

    What is found bad on a drive is recorded as evidence (`run` ties it together). `reread`: every
    byte of the card is read past the cache and compared, not only samples. `settings`: where
    drives live, and the production's time zone. Raises BadCard.
    """
    settings = settings or Settings()
    inventory(card)  # says best what is wrong with the folder that was named
    volume = look_at(card)
    root = volume.root if volume.system else volume.mount_point
    seen = recognise(root)
    if seen is not None:
        raise BadCard(
            f"{shown(card)} is on the drive {shown(seen.name)}, which is no card.",
            do="name the card itself",
            dont="format the drive",
        )
    if root != volume.root:
        volume = look_at(root)
    found = inventory(root)
    copied = _Copied(catalog, found.files)
    files = list(_read_card(found, volume, copied, tell, reread))
    copied.gather(catalog, files)
    looker = _Looker(catalog, observer, run, now)
    by_drive: dict[int, list[Copy]] = defaultdict(list)
    for copy in copied.copies:
        by_drive[copy.drive_id].append(copy)
    heres = {here.drive.id: here for here in drives_here(catalog)}
    looked: dict[int, Looked] = {}
    nows: dict[int, DriveNow] = {}
    places = catalog.drive_places()
    for drive_id, copies in by_drive.items():
        here = heres[drive_id]
        results = looker.look(here, copies, copied.records, tell)
        drive_now = replace(
            here.now,
            place=places[drive_id],
            where=where_is(places[drive_id], settings),
            offsite=is_offsite(places[drive_id], settings),
        )
        if results is None:
            drive_now = replace(drive_now, volume=None)
        else:
            looked |= results
        nows[drive_id] = drive_now
    looks = copied.looks(catalog)
    states = {copy_id: copy_state(of_copy) for copy_id, of_copy in looks.items()}
    time = now()
    card_found = CardFound(
        label=copied.label or os.path.basename(root.rstrip("/")) or root,
        now=time,
        files=tuple(copied.with_candidates(file, nows, states, looked) for file in files),
        unreadable=tuple((one.path, one.detail) for one in found.unreadable),
        volume=volume,
        today=production_date(time, settings.time_zone),
        holds=tuple(copied.holds(catalog)),
        undecoded=tuple(copied.undecoded(catalog, looks)),
    )
    return CardJudged(
        label=card_found.label,
        root=root,
        verdict=judge_card(card_found, policy),
        files=len(found.files),
        bytes=found.bytes,
        litter=len(found.litter),
        not_followed=tuple((one.path, one.kind) for one in found.not_followed),
    )


# The card -----------------------------------------------------------------------------------------


def _read_card(
    found: Inventory,
    volume: Volume,
    copied: _Copied,
    tell: Callable[[Progress], None],
    reread: bool,
) -> Iterator[FileNow]:
    """Every file as it is now: samples, and every byte with `reread`."""
    name = os.path.basename(found.root.rstrip("/")) or found.root
    root = open_root(found.root)
    try:
        with Tree(root) as tree:
            for done, file in enumerate(found.files, 1):
                yield _read_file(tree, file, volume, copied.kinds(file) if reread else ())
                tell(Progress(name, done, len(found.files)))
    finally:
        os.close(root)


def _read_file(tree: Tree, file: CardFile, volume: Volume, kinds: Sequence[str]) -> FileNow:
    digests: tuple[tuple[str, str], ...] = ()
    try:
        samples = sample_in(tree, file.path, volume.fs_type)
        if kinds:
            read = read_cold(tree.root, file.path, kinds, volume)
            digests = tuple(read.digests.items())
        after = tree.stat(file.path)
    except OSError as error:
        detail = error.strerror or str(error)
        return FileNow(file.path, file.size, file.mtime_ns, None, detail=detail)
    if (after.st_size, after.st_mtime_ns) != (file.size, file.mtime_ns):
        detail = "it changed while it was looked at"
        return FileNow(file.path, file.size, file.mtime_ns, None, detail=detail)
    return FileNow(file.path, file.size, file.mtime_ns, samples, digests)


# What was copied ----------------------------------------------------------------------------------


class _Copied:
    """The files that were copied once and may be those on the card, with their copies."""

    def __init__(self, catalog: Catalog, files: Sequence[CardFile]) -> None:
        keys = {(path, file.size) for file in files for path in _paths(file.path)}
        self._like = catalog.files_like(keys)
        self.records: dict[int, FileRecord] = {}
        self.copies: tuple[Copy, ...] = ()
        self.label = ""
        self._rolls: dict[int, str] = {}
        self._reads: dict[int, int] = {}
        self._of_file: dict[int, list[Copy]] = defaultdict(list)

    def candidates(self, path: str, size: int) -> list[FileRecord]:
        """Files copied under this path, or under its end: whoever offloads may have named a
        folder below the card's top. Only samples make one the same."""
        return [record for end in _paths(path) for record in self._like.get((end, size), ())]

    def kinds(self, file: CardFile) -> list[str]:
        records = self.candidates(file.path, file.size)
        return list(dict.fromkeys(kind for record in records for kind in record.digests))

    def gather(self, catalog: Catalog, files: Sequence[FileNow]) -> None:
        """The copies of those records that samples say are on the card, and their rolls."""
        every = [record for file in files for record in self.candidates(file.path, file.size)]
        same = [
            record
            for file in files
            for record in self.candidates(file.path, file.size)
            if record.samples == file.samples
        ]
        self.records = {record.id: record for record in same}
        rolls = {roll_id: catalog.roll_by_id(roll_id) for roll_id in {r.roll_id for r in every}}
        self._rolls = {roll_id: roll.name for roll_id, roll in rolls.items()}
        labels = Counter(rolls[record.roll_id].card for record in same)
        self.label = max(labels, key=lambda label: (labels[label], label), default="")
        self._reads = {
            offload.id: offload.end.card_read if offload.end is not None else 1
            for offload in catalog.offloads(list(rolls.values()))
        }
        some = [rolls[roll_id] for roll_id in {record.roll_id for record in same}]
        self.copies = tuple(
            copy for copy in catalog.copies(rolls=some) if copy.file_id in self.records
        )
        for copy in self.copies:
            self._of_file[copy.file_id].append(copy)

    def looks(self, catalog: Catalog) -> Mapping[int, Sequence[Look]]:
        """Evidence of each copy, what was recorded a moment ago included."""
        return catalog.looks([copy.id for copy in self.copies])

    def holds(self, catalog: Catalog) -> Iterator[Hold]:
        """What people decided about the rolls that are on the card."""
        rolls = [catalog.roll_by_id(roll_id) for roll_id in sorted(self._same_rolls())]
        notes = catalog.roll_notes(rolls)
        for roll in rolls:
            note = notes[roll.id]
            if note.hold is not None or note.until is not None:
                yield Hold(roll.id, roll.name, note.hold, note.hold_by or "", note.until)

    def undecoded(
        self, catalog: Catalog, looks: Mapping[int, Sequence[Look]]
    ) -> Iterator[Undecoded]:
        """Clips that are broken or could not be decoded, unless somebody has viewed them since
        they came in."""
        rolls = [catalog.roll_by_id(roll_id) for roll_id in sorted(self._same_rolls())]
        notes = catalog.roll_notes(rolls)
        came_in: dict[tuple[int, str], int] = {}
        for record in self.records.values():
            ids = [look.id for copy in self._of_file[record.id] for look in looks[copy.id]]
            came_in[record.roll_id, record.path] = min(ids, default=0)
        for clip in catalog.clips(rolls):
            note, path = notes[clip.roll.id], clip.files[0].path
            viewed = note.viewed_by is not None and (
                came_in.get((clip.roll.id, path), 0) <= note.viewed_looks
            )
            broken = _broken(clip)
            if not viewed and (broken or not is_decoded(clip)):
                yield Undecoded(clip.roll.id, clip.full_name, path, broken)

    def _same_rolls(self) -> set[int]:
        return {record.roll_id for record in self.records.values()}

    def with_candidates(
        self,
        file: FileNow,
        drives: Mapping[int, DriveNow],
        states: Mapping[int, CopyState],
        looked: Mapping[int, Looked],
    ) -> FileNow:
        candidates = tuple(
            Known(
                record=record,
                roll=self._rolls[record.roll_id],
                copies=tuple(
                    CopyNow(drives[copy.drive_id], copy.path, states[copy.id], looked.get(copy.id))
                    for copy in self._of_file.get(record.id, ())
                ),
                card_reads=self._reads.get(record.offload_id, 1),
            )
            for record in self.candidates(file.path, file.size)
        )
        return FileNow(
            path=file.path,
            size=file.size,
            mtime_ns=file.mtime_ns,
            samples=file.samples,
            digests=file.digests,
            detail=file.detail,
            candidates=candidates,
        )


def is_decoded(clip: Clip) -> bool:
    """Whether this program could look into the clip: a picture of it was drawn, or its sound has a
    length. What isn't known here as picture, still or sound is not."""
    if is_raw(clip.files[0].path):  # its picture may be a thumbnail that the camera made
        return clip.health is not None and clip.health.depth is not Depth.NONE
    if clip.facts.kind is ClipKind.SOUND:
        return clip.facts.duration_seconds is not None
    return clip.poster is not None


def _broken(clip: Clip) -> str:
    """What is broken about it, or nothing."""
    findings = clip.health.findings if clip.health is not None else ()
    return next((each.words for each in findings if each.severity is Severity.BROKEN), "")


def production_date(now: datetime, time_zone: str | None) -> date:
    """The date by the production's clock; the machine's where no zone is said."""
    return now.astimezone(ZoneInfo(time_zone) if time_zone else None).date()


def _paths(path: str) -> Iterator[str]:
    """A path and what it is called from each folder below the top."""
    yield path
    while "/" in path:
        path = path.partition("/")[2]
        yield path


# The copies ---------------------------------------------------------------------------------------


class _Looker:
    """Looks at copies now: presence, size, time and samples. Bad news is recorded at once."""

    def __init__(
        self, catalog: Catalog, observer: Observer, run: str, now: Callable[[], datetime]
    ) -> None:
        self._catalog = catalog
        self._observer = observer
        self._run = run
        self._now = now

    def look(
        self,
        here: DriveHere,
        copies: Sequence[Copy],
        records: Mapping[int, FileRecord],
        tell: Callable[[Progress], None],
    ) -> Mapping[int, Looked] | None:
        """By copy id; None when the drive is not here (or not surely the one it says)."""
        volume = here.volume
        if volume is None or here.doubt:
            return None
        try:
            root = open_root(volume.root)
        except OSError:
            return None
        found: dict[int, Looked] = {}
        try:
            if os.fstat(root).st_dev != volume.st_dev:
                return None
            with Tree(root) as tree:
                for done, copy in enumerate(copies, 1):
                    record = records[copy.file_id]
                    judged, mtime_ns, refused = _look(tree, copy, record, volume)
                    if judged.state.is_bad:
                        if gone(volume, root):
                            return None
                        if not refused:
                            self._record(copy, judged, volume.mount)
                    bad = judged.state if judged.state.is_bad else None
                    found[copy.id] = Looked(bad, judged.detail, mtime_ns)
                    tell(Progress(here.drive.name, done, len(copies)))
        finally:
            os.close(root)
        return found

    def _record(self, copy: Copy, judged: Judged, mount: str) -> None:
        look = NewLook(
            file_id=copy.file_id,
            drive_id=copy.drive_id,
            path=copy.path,
            act=judged.act,
            state=judged.state,
            route=judged.route,
            against=judged.against,
            size=judged.size,
            kind=None,
            digest=None,
            mount=mount,
            at=self._now(),
            detail=judged.detail,
        )
        self._catalog.record_looks(self._run, self._observer, [look])


def _look(
    tree: Tree, copy: Copy, record: FileRecord, volume: Volume
) -> tuple[Judged, int | None, bool]:
    """The finding, the file's time, and whether the system refused us."""
    expected = Expected(record.size, record.mtime_ns, record.digests, Against.CATALOG)
    item = Item(copy.id, copy.path, expected)
    found, refused = find(tree.root, item, volume, quick=True)
    judged = judge(expected, found)
    if judged.state.is_bad:
        return judged, found.mtime_ns, refused
    try:
        samples = sample_in(tree, copy.path, volume.fs_type)
    except OSError as error:
        state, detail = State.UNREADABLE, error.strerror or str(error)
        refused = isinstance(error, PermissionError)
        return _sampled(found.size, state, detail), found.mtime_ns, refused
    if samples != record.samples:
        detail = "samples of it are other than what was copied"
        return _sampled(found.size, State.MISMATCH, detail), found.mtime_ns, False
    return judged, found.mtime_ns, False


def _sampled(size: int | None, state: State, detail: str) -> Judged:
    return Judged(Act.SAMPLED, state, None, Against.CATALOG, size, None, None, detail)
