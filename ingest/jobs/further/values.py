"""What a further copy or a mending is made of, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ingest.catalog.records import Copy, Drive, FileRecord, Roll
from ingest.copying.values import Action
from ingest.drives import Volume
from ingest.errors import ExitCode
from ingest.evidence import Against, Route, State

__all__ = [
    "Filled",
    "Put",
    "RollPlan",
    "RollResult",
    "SourceCopy",
    "Target",
    "Trouble",
    "Wanted",
    "exit_code",
]


@dataclass(frozen=True, slots=True)
class SourceCopy:
    """A copy that can be read now."""

    copy: Copy
    drive: Drive
    volume: Volume
    folder: str
    """The roll's folder on that drive, POSIX, relative to its root."""
    against: Against
    """What the file's digest is to this copy."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One file that is to stand on the drive, and where it may be read, the best first."""

    file: FileRecord
    action: Action
    sources: tuple[SourceCopy, ...]
    against: Against
    """What the new copy is compared with."""
    was: str = ""
    """The state of the copy that it takes the place of, or empty."""


@dataclass(frozen=True, slots=True)
class Target:
    """The drive that is filled."""

    name: str
    volume: Volume
    drive: Drive | None
    """As the catalog knows it; None: it is new."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that a person must look at, in one line; `do` is the next movement of the hand."""

    path: str
    """Relative to the roll's folder."""
    drive: str | None
    state: str
    detail: str
    do: str = ""


@dataclass(frozen=True, slots=True)
class RollPlan:
    """One roll (or the part of it that is to be mended) on the drive."""

    roll: Roll
    folder: str
    """POSIX, relative to the drive's root."""
    files: tuple[FileRecord, ...]
    """Every file of the roll."""
    wanted: tuple[Wanted, ...]
    before: frozenset[int]
    """Ids of the files that have a matched copy there already."""
    troubles: tuple[Trouble, ...] = ()
    """What is known to be in the way before anything is read."""
    waiting: bool = False
    """Some file's copies are on drives that aren't here."""
    whole: bool = True
    """The whole roll is meant, not only some of its files."""
    listed: bool = False
    """A hash list is written although it is only a part: what lies there is all that should."""

    @property
    def bytes(self) -> int:
        return sum(one.file.size for one in self.wanted)

    @property
    def kinds(self) -> tuple[str, ...]:
        """Every checksum kind that is known of these files."""
        return tuple(dict.fromkeys(kind for file in self.files for kind in file.digests))


@dataclass(frozen=True, slots=True)
class Put:
    """A file that now stands matched on the drive."""

    source: str
    """Name of the drive that it was read from."""
    route: Route | None
    detail: str
    written: bool


@dataclass(slots=True)
class Filled:
    """What came of filling one roll's folder."""

    put: dict[str, Put] = field(default_factory=dict)
    troubles: list[Trouble] = field(default_factory=list)
    bad_at: dict[str, int] = field(default_factory=dict)
    """By drive: copies that turned out to be bad when they were read."""
    unfinished: bool = False
    stopped: str = ""
    """Why the drive was given up, or empty."""


@dataclass(frozen=True, slots=True)
class RollResult:
    plan: RollPlan
    target: str
    """Name of the drive that was filled."""
    root: str
    device: str
    put: Mapping[str, Put]
    troubles: tuple[Trouble, ...]
    bad_at: Mapping[str, int]
    hash_lists: tuple[str, ...]
    not_listed: tuple[str, ...]
    copies: int
    """Matched copies on devices that aren't one, of the file that has the fewest."""
    unfinished: bool
    stopped: str
    seconds: float

    @property
    def verdict(self) -> str:
        """matched: every file that was asked for stands there, compared. What was found bad on
        the way, where it was read from, is among the troubles all the same."""
        whole = all(one.file.path in self.put for one in self.plan.wanted)
        own = any(trouble.drive in (None, self.target) for trouble in self.troubles)
        return "matched" if whole and not own and not self.unfinished else "problem"

    @property
    def files_matched(self) -> int:
        return len(self.plan.before) + sum(
            one.file.id not in self.plan.before and one.file.path in self.put
            for one in self.plan.wanted
        )

    @property
    def route(self) -> str:
        """The weakest route by which a copy was read back, or empty when none was."""
        routes = {put.route for put in self.put.values()}
        if not routes:
            return ""
        return str(Route.MEDIUM if routes == {Route.MEDIUM} else Route.CACHE_POSSIBLE)

    @property
    def footage(self) -> bool:
        """Something is wrong with the footage, not only with getting on."""
        return any(trouble.state in _FOOTAGE for trouble in self.troubles)


_FOOTAGE = frozenset(
    {
        *(str(state) for state in State if state.is_bad),
        str(State.DOUBTFUL),
        "no good copy",
        "lists differ",
        "one list only",
        "no hash list",
    }
)


def exit_code(results: tuple[RollResult, ...], *, wanted: int, stopped: bool) -> ExitCode:
    """The exit code of the whole; `wanted`: how many copies are asked for (0: don't ask)."""
    if stopped:
        return ExitCode.STOPPED
    if any(result.footage or result.copies < wanted for result in results):
        return ExitCode.FOOTAGE
    if any(result.unfinished or result.stopped for result in results):
        return ExitCode.UNFINISHED
    return ExitCode.FOOTAGE if any(result.troubles for result in results) else ExitCode.WELL
