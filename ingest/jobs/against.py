"""A drive read again and compared with a proof: by whoever has the two, with no catalog."""

from __future__ import annotations

import os
import threading
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from ingest import drives
from ingest.assurance.audit import Expected
from ingest.assurance.listed import read_lists
from ingest.assurance.renamed import folders_by_lists
from ingest.assurance.rereading.drives import reread
from ingest.assurance.rereading.values import (
    Checked,
    DriveGone,
    DriveTask,
    Item,
    Progress,
    UnknownFile,
)
from ingest.errors import ExitCode, NotKnown, UsageError
from ingest.evidence import Against, Route, State
from ingest.jobs.audit_values import Found, Problem
from ingest.names import shown
from ingest.report.proof.reading import GivenFile, GivenProof, read_proof

__all__ = ["Compared", "ComparedDrive", "RenamedFolder", "compare_with_proof", "place_files"]

_STRONG = ("sha256", "c4")


@dataclass(frozen=True, slots=True)
class RenamedFolder:
    """A roll's folder as the proof calls it, and as it was found, both relative to the root."""

    was: str
    now: str


@dataclass(frozen=True, slots=True)
class ComparedDrive:
    name: str
    root: str
    states: Mapping[str, Mapping[State, int]]
    """By roll: how many of its files were found how."""
    folders: Mapping[str, str]
    """By roll: its folder, relative to the root."""
    files: Mapping[str, int]
    """By roll: how many files the proof names on it."""
    names: frozenset[str]
    """Those files, as ROLL/PATH."""
    unknown: tuple[str, ...]
    """In the rolls' folders, and not in the proof."""
    cached: int
    """Reads that the operating system may have answered from memory."""
    gone: str
    """Why the drive was given up in the middle, or empty."""
    renamed: Mapping[str, RenamedFolder]
    """By roll: where its folder has another name than in the proof."""

    @property
    def whole(self) -> int:
        return sum(states.get(State.MATCHED, 0) for states in self.states.values())


@dataclass(frozen=True, slots=True)
class Compared:
    proof: GivenProof
    drives: tuple[ComparedDrive, ...]
    problems: tuple[Problem, ...]
    stopped: bool
    asked: int
    """Files of the proof, of the roll that was asked for."""

    @property
    def elsewhere(self) -> int:
        """Files of the proof that were asked of none of these drives."""
        return self.asked - len({name for drive in self.drives for name in drive.names})

    @property
    def unfinished(self) -> bool:
        return self.stopped or any(drive.gone for drive in self.drives)

    @property
    def verdict(self) -> str:
        if self.problems:
            return "problem"
        return "unfinished" if self.unfinished else "matched"

    @property
    def exit_code(self) -> ExitCode:
        if self.stopped:
            return ExitCode.STOPPED
        if self.problems:
            return ExitCode.FOOTAGE
        return ExitCode.UNFINISHED if self.unfinished else ExitCode.WELL


def compare_with_proof(
    folder: str,
    places: Sequence[str],
    *,
    tell: Callable[[Progress | Found], None],
    stop: threading.Event,
    roll: str | None = None,
    signer: str = "",
) -> Compared:
    """Read each of these folders (a drive, or where the footage was copied to) and compare.

    The proof itself is checked first; `signer`: the fingerprint that it must be signed with. A
    roll that doesn't lie where the proof says is looked for by the hash lists on the drive.
    Raises BadProof, BadSignature, NotKnown (nothing of it lies there), BadDestination.
    """
    if not places:
        raise UsageError("No drive named.", do="ingest audit DRIVE --against PROOF")
    proof = read_proof(folder, signer=signer)
    files = [one for one in proof.files if roll is None or one.roll.casefold() == roll.casefold()]
    if not files:
        what = f"no roll {shown(roll)}" if roll is not None else "no file"
        raise NotKnown(f"The proof names {what}.", do="leave out --roll")
    keeper = _Keeper([_laid_out(proof, files, place) for place in places], tell)
    tasks = [one.task for one in keeper.given]
    for finding in reread(tasks, quick=False, stop=stop, tell=tell):
        keeper.keep(finding)
    return Compared(
        proof=proof,
        drives=tuple(keeper.drive(number) for number in range(len(tasks))),
        problems=tuple(keeper.problems),
        stopped=stop.is_set() and keeper.cut_short,
        asked=len(files),
    )


def place_files(
    layouts: Sequence[Mapping[str, str]], is_there: Callable[[str], bool]
) -> dict[str, str]:
    """ROLL/PATH to the path below a folder, by the layout that most files are found with; of two
    with as many, by the one that names more, so that what is gone is told as gone.

    A folder may be the drive itself, or any one on it that the footage was copied into: leading
    folders of the layout are left out, one more at each try. Empty when no file is found. Pure but
    for `is_there`.
    """
    best: tuple[int, dict[str, str]] = (0, {})
    for layout in layouts:
        depth = max((path.count("/") for path in layout.values()), default=0)
        for left_out in range(depth + 1):
            paths = {
                name: path.split("/", left_out)[left_out]
                for name, path in layout.items()
                if path.count("/") >= left_out
            }
            if len(set(paths.values())) < len(paths):
                break  # two rolls would lie in one place
            found = sum(map(is_there, paths.values()))
            if found and (found, len(paths)) > (best[0], len(best[1])):
                best = (found, paths)
            if found == len(layout):
                break
    return best[1]


@dataclass(frozen=True, slots=True)
class _Given:
    """What is to be read on one drive."""

    task: DriveTask
    files: Sequence[GivenFile]
    """Of each of the task's items, by its key."""
    renamed: Mapping[str, RenamedFolder]


def _laid_out(proof: GivenProof, files: Sequence[GivenFile], place: str) -> _Given:
    volume = drives.look_at(place)
    root = os.fsencode(volume.root)

    def is_there(path: str) -> bool:
        return os.path.lexists(os.path.join(root, os.fsencode(path)))

    wanted = {file.name for file in files}
    seen = drives.recognise(volume.root)
    own = [one for one in proof.layouts if seen is not None and seen.name in one.drives]
    layouts = [
        {name: path for name, path in layout.paths.items() if name in wanted}
        for layout in own or proof.layouts
    ]
    paths = place_files(layouts, is_there)
    # Of a drive that the proof names, only what the proof says that it holds is asked for.
    asked = [file for file in files if not own or any(file.name in one for one in layouts)]
    renamed = _find_renamed(asked, paths, layouts, place, is_there)
    paths |= {
        file.name: f"{renamed[file.roll].now}/{file.path}".lstrip("/")
        for file in asked
        if file.roll in renamed
    }
    if not paths:
        raise NotKnown(
            f"Nothing that the proof names lies in {shown(place)}.",
            do="name the drive, or the folder on it that the footage was copied to",
        )
    here = [file for file in files if file.name in paths]
    items = [
        Item(
            key,
            paths[file.name],
            Expected(file.size, file.mtime_ns, _sums(file), Against.OTHER_LIST),
        )
        for key, file in enumerate(here)
    ]
    folders = {_folder(file, paths[file.name]) for file in here} - {""}
    task = DriveTask(
        name=seen.name if seen else os.path.basename(volume.root) or volume.root,
        volume=volume,
        items=tuple(items),
        folders=tuple(sorted(folders)),
        known=frozenset(paths.values()),
    )
    return _Given(task, here, renamed)


def _find_renamed(
    files: Sequence[GivenFile],
    paths: Mapping[str, str],
    layouts: Sequence[Mapping[str, str]],
    place: str,
    is_there: Callable[[str], bool],
) -> dict[str, RenamedFolder]:
    """Rolls of which not one file lies where the proof says, and what their folders are called."""
    there = {file.roll for file in files if file.name in paths and is_there(paths[file.name])}
    lost: defaultdict[str, dict[str, Expected]] = defaultdict(dict)
    was: dict[str, str] = {}
    for file in files:
        if file.roll in there:
            continue
        expected = Expected(file.size, file.mtime_ns, file.digests, Against.OTHER_LIST)
        lost[file.roll][file.path] = expected
        known = (one[file.name] for one in (paths, *layouts) if file.name in one)
        was.setdefault(file.roll, _folder(file, next(known, file.name)))
    if not lost:
        return {}
    taken = {
        _folder(file, paths[file.name])
        for file in files
        if file.roll in there and file.name in paths
    }
    found = folders_by_lists(lost, read_lists(place), taken)
    return {roll: RenamedFolder(was[roll], now) for roll, now in found.items()}


def _sums(file: GivenFile) -> Mapping[str, str]:
    """The checksum that shows tampering, where there is one; else whatever there is."""
    return next(
        ({kind: file.digests[kind]} for kind in _STRONG if kind in file.digests), file.digests
    )


def _folder(file: GivenFile, path: str) -> str:
    return path[: -len(file.path) - 1] if path.endswith("/" + file.path) else os.path.dirname(path)


class _Keeper:
    def __init__(self, given: Sequence[_Given], tell: Callable[[Progress | Found], None]) -> None:
        self.given = given
        self._tell = tell
        self._states: list[dict[str, Counter[State]]] = [defaultdict(Counter) for _ in given]
        self._unknown: list[list[str]] = [[] for _ in given]
        self._cached = [0 for _ in given]
        self._gone = ["" for _ in given]
        self.problems: list[Problem] = []

    @property
    def cut_short(self) -> bool:
        reached = sum(states.total() for some in self._states for states in some.values())
        return reached < sum(len(one.files) for one in self.given)

    def keep(self, finding: object) -> None:
        if isinstance(finding, Checked):
            judged, number = finding.judged, finding.drive
            file = self.given[number].files[finding.item.key]
            self._states[number][file.roll][judged.state] += 1
            if judged.state is State.MATCHED:
                self._cached[number] += judged.route is not Route.MEDIUM
                return
            name = self.given[number].task.name
            problem = Problem(finding.item.path, name, judged.state, judged.detail)
            self.problems.append(problem)
            self._tell(Found(problem))
        elif isinstance(finding, UnknownFile):
            self._unknown[finding.drive].append(finding.path)
        elif isinstance(finding, DriveGone):
            self._gone[finding.drive] = finding.why

    def drive(self, number: int) -> ComparedDrive:
        given = self.given[number]
        task, files = given.task, given.files
        folders = {
            file.roll: _folder(file, item.path)
            for file, item in zip(files, task.items, strict=True)
        }
        return ComparedDrive(
            name=task.name,
            root=task.volume.root,
            states={roll: dict(states) for roll, states in self._states[number].items()},
            folders=folders,
            files=dict(Counter(file.roll for file in files)),
            names=frozenset(file.name for file in files),
            unknown=tuple(self._unknown[number]),
            cached=self._cached[number],
            gone=self._gone[number],
            renamed=given.renamed,
        )
