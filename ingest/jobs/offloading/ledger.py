"""What a run has come to so far: every outcome counted and recorded as it comes.

The catalog's rows are written after the drives' own flushes, so the catalog never knows more
than the drives hold.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from ingest import platforms
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    CardNote,
    Drive,
    NewFile,
    NewLook,
    Offload,
    OffloadDrive,
    OffloadEnd,
)
from ingest.copying.plan import room_for
from ingest.copying.roll_folder import RollFolder, unfinished_bytes
from ingest.copying.tree import Tree, split
from ingest.copying.values import (
    COMPARED,
    Action,
    CardState,
    CopyMatched,
    DriveStopped,
    Event,
    FileOutcome,
    FileTask,
    Progress,
)
from ingest.drives import DriveSeen
from ingest.evidence import Act, Against, Route, State
from ingest.jobs.fitting import free_room
from ingest.jobs.offloading.clips import ClipReader
from ingest.jobs.offloading.pace import Meter, said_slower
from ingest.jobs.offloading.values import ClipHealth, DriveResult, Phase, Plan, Problem, Result
from ingest.manifest.kept import card_path, kept_path

if TYPE_CHECKING:
    from ingest.assurance.footage.set_wrong import Oddity
    from ingest.assurance.footage.timecodes import TimecodeFault

__all__ = ["Ledger", "Tell"]

_BATCH_FILES = 500
_BATCH_SECONDS = 1.0
_HOLES = 8

Tell = Callable[[Event | Phase], None]


@dataclass(slots=True)
class _OnDrive:
    matched: int = 0
    bytes: int = 0
    problems: int = 0
    stopped: str = ""
    room_needed: int = 0
    room_free: int = 0
    route: Route | None = None
    seconds: float = 0.0
    meter: Meter = field(default_factory=Meter)


@dataclass(slots=True)
class Ledger:
    """What the run has come to so far."""

    plan: Plan
    catalog: Catalog
    offload: Offload
    known: list[Drive]
    seen: list[DriveSeen]
    begun: float
    pasts: Mapping[int, float]
    problems: list[Problem] = field(default_factory=list)
    hash_lists: list[str] = field(default_factory=list)
    not_listed: list[str] = field(default_factory=list)
    card_read: int = 1
    clips: int = 0
    set_wrong: tuple[Oddity, ...] = ()
    timecodes: tuple[TimecodeFault, ...] = ()
    healths: tuple[ClipHealth, ...] = ()
    unfinished: bool = False
    unread: list[FileOutcome] = field(default_factory=list)
    """Files that the card could not give whole."""
    read: dict[str, FileOutcome] = field(default_factory=dict)
    matched: list[dict[str, FileOutcome]] = field(default_factory=list)
    on_drive: list[_OnDrive] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.on_drive = [_OnDrive() for _ in self.plan.drives]
        self.matched = [{} for _ in self.plan.drives]

    def tasks(self) -> list[FileTask]:
        return [
            FileTask(
                kept_path(file.path),
                file.size,
                file.mtime_ns,
                tuple(drive.actions[file.path] for drive in self.plan.drives),
                source_path=file.path,
            )
            for file in self.plan.files
        ]

    def listening(self, tell: Tell, clips: ClipReader) -> Callable[[Event], None]:
        def listen(event: Event) -> None:
            if isinstance(event, CopyMatched):
                clips.arrived(card_path(event.path), event)
                return
            if isinstance(event, DriveStopped):
                self.on_drive[event.drive].stopped = event.why
            elif isinstance(event, Progress):
                if event.read:
                    clips.get_ready()
                now = time.monotonic() - self.begun
                for on, drive in zip(self.on_drive, event.drives, strict=True):
                    on.meter.note(now, (drive.written + drive.checked) // 2)
            tell(event)

        return listen

    def set_aside(self, folders: list[RollFolder], run: str) -> None:
        """Damaged copies make way under a name that says so; they are never deleted."""
        for drive, folder in zip(self.plan.drives, folders, strict=True):
            with Tree(folder.handle) as tree:
                for path in drive.set_aside:
                    above, name = split(path)
                    handle = tree.folder(above)
                    platforms.rename_new(name, f"{name}.set-aside-{run[:8]}", handle)
                    platforms.flush(handle)

    # Copying ---------------------------------------------------------------------------------

    def take(self, outcomes: Iterator[FileOutcome]) -> None:
        """Record what the engine yields."""
        batch: list[FileOutcome] = []
        since = time.monotonic()
        for outcome in outcomes:
            path = card_path(outcome.path)
            batch.append(outcome if path == outcome.path else replace(outcome, path=path))
            if len(batch) >= _BATCH_FILES or time.monotonic() - since > _BATCH_SECONDS:
                self._record(batch)
                batch, since = [], time.monotonic()
        self._record(batch)

    def _record(self, batch: list[FileOutcome]) -> None:
        at = datetime.now(UTC)
        files: list[NewFile] = []
        looks: list[tuple[str, NewLook]] = []
        for outcome in batch:
            if outcome.card is not CardState.READ:
                self._card_problem(outcome)
                continue
            files.append(
                NewFile(
                    outcome.path,
                    outcome.size,
                    outcome.mtime_ns,
                    outcome.samples,
                    outcome.digests,
                )
            )
            self.read[outcome.path] = outcome
            looks += ((outcome.path, look) for look in self._looks(outcome, at))
        if files:
            self.catalog.record_copied(self.offload, files, looks)
        for outcome in batch:
            self._count(outcome)

    def _looks(self, outcome: FileOutcome, at: datetime) -> Iterator[NewLook]:
        for one in outcome.copies:
            if one.state is State.UNVERIFIED:
                continue  # nothing of it stands on the drive, and nothing was compared
            acts = (Act.WRITTEN, Act.READ_BACK) if one.written else (Act.READ_BACK,)
            for act in acts:
                written = act is Act.WRITTEN
                yield NewLook(
                    file_id=0,
                    drive_id=self.known[one.drive].id,
                    path=f"{self.plan.drives[one.drive].folder}/{kept_path(outcome.path)}",
                    act=act,
                    state=State.UNVERIFIED if written else one.state,
                    route=None if written else one.route,
                    against=Against.NOTHING if written else Against.CARD,
                    size=one.size,
                    kind=None if written or one.digest is None else COMPARED,
                    digest=None if written else one.digest,
                    mount=self.plan.drives[one.drive].volume.mount,
                    at=at,
                    detail="" if written else one.detail,
                )

    def _count(self, outcome: FileOutcome) -> None:
        for one in outcome.copies:
            on = self.on_drive[one.drive]
            if one.state is State.MATCHED:
                on.matched += 1
                on.bytes += outcome.size
                on.route = one.route if on.route in (None, one.route) else Route.CACHE_POSSIBLE
                on.seconds = time.monotonic() - self.begun
                self.matched[one.drive][outcome.path] = outcome
                continue
            if one.state is State.UNVERIFIED:
                self.unfinished = True
            on.problems += 1
            name = self.seen[one.drive].name
            self.problems.append(Problem(outcome.path, name, str(one.state), one.detail))

    def _card_problem(self, outcome: FileOutcome) -> None:
        if outcome.card is CardState.CHANGED:
            self.note(CardNote("changed", outcome.path, outcome.detail))
        elif outcome.card is CardState.UNREADABLE:
            self.unfinished = True
            self.unread.append(outcome)
        else:
            self.unfinished = True

    def note(self, note: CardNote) -> None:
        self.problems.append(Problem(note.path, None, note.kind, note.detail))
        self.catalog.note_card(self.offload, [note])

    def standing(self, path: str) -> tuple[int, ...]:
        """The drives on which a file stands matched, by this run or an earlier one, without those
        that were given up."""
        return tuple(
            number
            for number, on in enumerate(self.on_drive)
            if not on.stopped
            and (
                path in self.matched[number]
                or self.plan.drives[number].actions.get(path) is Action.NOTHING
            )
        )

    def look_for_room(self, folders: Sequence[RollFolder]) -> None:
        """On drives that stopped: what is left to write there, and the room that there is for it
        once half-written files are removed. A drive that tells nothing any more is left alone."""
        for number, folder in enumerate(folders):
            on = self.on_drive[number]
            if not on.stopped or folder.abandoned:
                continue
            actions = self.plan.drives[number].actions
            left = [
                file.size
                for file in self.plan.files
                if actions[file.path] is Action.WRITE and file.path not in self.matched[number]
            ]
            with contextlib.suppress(OSError):
                on.room_free = free_room(folder.handle) + unfinished_bytes(folder.handle)
                on.room_needed = room_for(left or [0])  # the hash list at least

    # The end ----------------------------------------------------------------------------------

    def result(self, *, stopped: bool) -> Result:
        unfinished = self.unfinished or any(on.stopped for on in self.on_drive)
        return Result(
            plan=self.plan,
            card_read=self.card_read,
            seconds=time.monotonic() - self.begun,
            drives=tuple(self._drive_result(number) for number in range(len(self.on_drive))),
            problems=tuple(self.problems),
            hash_lists=tuple(self.hash_lists),
            not_listed=tuple(self.not_listed),
            clips=self.clips,
            healths=self.healths,
            stopped=stopped,
            unfinished=unfinished,
            set_wrong=self.set_wrong,
            timecodes=self.timecodes,
        )

    def _drive_result(self, number: int) -> DriveResult:
        on, planned = self.on_drive[number], self.plan.drives[number]
        sizes: Mapping[str, int] = {file.path: file.size for file in self.plan.inventory.files}
        before = [path for path, act in planned.actions.items() if act is Action.NOTHING]
        return DriveResult(
            name=self.seen[number].name,
            root=planned.volume.root,
            folder=f"{planned.volume.root}/{planned.folder}",
            device=planned.volume.device,
            files_matched=on.matched + len(before),
            bytes=on.bytes + sum(sizes[path] for path in before),
            problems=on.problems,
            route=str(on.route or ""),
            stopped=on.stopped,
            room_needed=on.room_needed,
            room_free=on.room_free,
            seconds=on.seconds,
            slower=said_slower(on.bytes, on.seconds, self.pasts.get(self.known[number].id)),
        )

    def end(self, result: Result) -> OffloadEnd:
        return OffloadEnd(
            finished=datetime.now(UTC),
            verdict="stopped" if result.stopped else result.verdict,
            card_read=result.card_read,
            seconds=result.seconds,
            bytes=self.plan.inventory.bytes,
            files=len(self.plan.inventory.files),
            known=len(self.plan.known),
            left_out=len(self.plan.inventory.litter),
            drives=tuple(
                OffloadDrive(
                    drive_id=self.known[number].id,
                    folder=self.plan.drives[number].folder,
                    files_matched=on.matched,
                    bytes=on.bytes,
                    seconds=on.seconds,
                    route=on.route or Route.CACHE_POSSIBLE,
                    problem=on.stopped,
                    pace=tuple(on.meter.points),
                )
                for number, on in enumerate(self.on_drive)
            ),
        )
