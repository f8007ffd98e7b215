"""May a card be formatted and shot on again? Pure: everything it needs is handed in.

It holds whenever something is not known. Each reason says what to do next. What is on the card
now is judged, file by file; what has disappeared from it since is no reason by itself, and
neither is system litter, which is not footage.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import combinations
from typing import Literal

from ingest.assurance.state import STRONG, CopyState
from ingest.assurance.times import common_shift, found_time, same_time
from ingest.catalog.records import FileRecord
from ingest.copying.samples import WHOLE
from ingest.drives import Volume, same_device
from ingest.evidence import Act, Route, State
from ingest.names import shown

__all__ = [
    "CardFound",
    "CopyNow",
    "CopyVerdict",
    "DriveNow",
    "FileNow",
    "FileVerdict",
    "Known",
    "Looked",
    "Policy",
    "Reason",
    "Verdict",
    "judge_card",
    "separate_devices",
]


@dataclass(frozen=True, slots=True)
class Policy:
    """What is asked of the copies before a card may be used again."""

    copies: int = 2
    """Good copies on devices shown to be different (common practice; the 3-2-1 rule counts the
    original as the third)."""
    max_age_days: int | None = None
    offsite: int = 0
    read_twice: bool = False
    offline_ok: bool = False
    """Copies on drives that are not here count too, and the verdict says so."""


@dataclass(frozen=True, slots=True)
class DriveNow:
    """A drive of the catalog, as it stands at this moment."""

    name: str
    serial: str | None
    """The hardware's serial as the catalog has it."""
    volume: Volume | None
    """None: not mounted."""
    doubt: str = ""
    """Why it can't be taken for the drive of that name, or empty."""


@dataclass(frozen=True, slots=True)
class Looked:
    """One copy, looked at just now: presence, size, time and samples."""

    bad: State | None
    """What was found wrong, or None. None is no proof of content."""
    detail: str = ""
    """What is wrong; with `bad` None, that its time is not the one it was copied with."""
    mtime_ns: int | None = None


@dataclass(frozen=True, slots=True)
class CopyNow:
    drive: DriveNow
    path: str
    state: CopyState
    looked: Looked | None
    """None: it could not be looked at (the drive is not here)."""


@dataclass(frozen=True, slots=True)
class Known:
    """A file that was copied once, under this path and of this size, perhaps the one in hand."""

    record: FileRecord
    roll: str
    copies: tuple[CopyNow, ...]
    card_reads: int = 1
    """How often its offload read it from the card."""


@dataclass(frozen=True, slots=True)
class FileNow:
    """A file on the card, as it stands now."""

    path: str
    size: int
    mtime_ns: int
    samples: str | None
    """Read past the cache just now; None: it could not be read."""
    digests: tuple[tuple[str, str], ...] = ()
    """Kind and digest of a full read made just now, or empty."""
    detail: str = ""
    """Why it could not be read."""
    candidates: tuple[Known, ...] = ()


@dataclass(frozen=True, slots=True)
class CardFound:
    label: str
    now: datetime
    files: tuple[FileNow, ...]
    unreadable: tuple[tuple[str, str], ...] = ()
    """Path and detail of what could not even be listed."""
    volume: Volume | None = None


@dataclass(frozen=True, slots=True)
class Reason:
    why: str
    do: str


@dataclass(frozen=True, slots=True)
class CopyVerdict:
    drive: str
    state: State
    evidence: str
    at: datetime | None


@dataclass(frozen=True, slots=True)
class FileVerdict:
    path: str
    copies: tuple[CopyVerdict, ...]
    good: bool
    """It asks for nothing more."""


@dataclass(frozen=True, slots=True)
class Verdict:
    verdict: Literal["reuse", "hold"]
    reasons: tuple[Reason, ...]
    files: tuple[FileVerdict, ...]
    rolls: tuple[str, ...]


def judge_card(found: CardFound, policy: Policy) -> Verdict:
    """The verdict on a card, by the evidence and what was looked at just now.

    Rules: common practice (two copies before a card is wiped; nothing published binds anyone),
    and for what makes two devices different, `ingest.drives.same_device`.
    """
    reasons = _Reasons()
    for path, detail in found.unreadable:
        reasons.add(
            f"could not be read ({detail})", "try another reader or cable, then ask again", path
        )
    shift = _shift(found.files)
    verdicts = []
    rolls: list[set[str]] = []
    used: Counter[str] = Counter()
    for file in found.files:
        same = _known(file, shift, reasons)
        rolls.append({known.roll for known in same})
        copies = [copy for known in same for copy in known.copies]
        good = bool(same)
        if good:
            good = _enough(file, same, copies, found, policy, reasons)
            used.update({copy.drive.name for copy in copies})
        verdicts.append(FileVerdict(file.path, tuple(map(_copy_verdict, copies)), good))
    if not found.files and not found.unreadable:
        reasons.add("no file was found on it", "check that it is the right card, and mounted")
    if policy.offsite > 0:
        reasons.add(
            f"{policy.offsite} copies in another place are asked for, and where drives are kept "
            "is not recorded",
            "ask without --offsite, and see to it yourself",
        )
    told = reasons.told()
    if told or not all(verdict.good for verdict in verdicts):
        return Verdict("hold", told, tuple(verdicts), _rolls(rolls))
    return Verdict(
        "reuse", (_positive(len(verdicts), used, policy),), tuple(verdicts), _rolls(rolls)
    )


def _rolls(of_files: Sequence[set[str]]) -> tuple[str, ...]:
    """The rolls that the card's files came in with. A file that several rolls hold (small
    companions often are the same everywhere) counts for the one with most of the others."""
    counts = Counter(roll for rolls in of_files for roll in rolls)
    chosen = {max(rolls, key=lambda roll: (counts[roll], roll)) for rolls in of_files if rolls}
    return tuple(sorted(chosen))


class _Reasons:
    """Reasons in the order they came up, files with the same trouble counted together."""

    def __init__(self) -> None:
        self._files: dict[Reason, list[str]] = {}

    def add(self, why: str, do: str, path: str = "") -> None:
        paths = self._files.setdefault(Reason(why, do), [])
        if path:
            paths.append(path)

    def told(self) -> tuple[Reason, ...]:
        return tuple(
            Reason(f"{_listed(paths)}: {reason.why}" if paths else reason.why, reason.do)
            for reason, paths in self._files.items()
        )


def _listed(paths: Sequence[str]) -> str:
    first = shown(paths[0])
    if len(paths) == 1:
        return first
    return f"{len(paths)} files ({first}{', ' + shown(paths[1]) if len(paths) == 2 else ', ...'})"


def _positive(count: int, drives: Counter[str], policy: Policy) -> Reason:
    names = ", ".join(shown(name) for name in sorted(drives))
    counted = "not all of them here" if policy.offline_ok else "looked at just now"
    what = "the one file" if count == 1 else f"each of the {count} files"
    return Reason(
        f"{what} on it has {policy.copies} good copies on separate devices ({names}; {counted})",
        "when whoever offloads says so: format it in the camera it goes into",
    )


# The card's files ---------------------------------------------------------------------------------


def _shift(files: Iterable[FileNow]) -> int:
    differences = [
        file.mtime_ns - known.record.mtime_ns
        for file in files
        for known in file.candidates
        if known.record.samples == file.samples
    ]
    return common_shift(differences)


def _known(file: FileNow, shift: int, reasons: _Reasons) -> tuple[Known, ...]:
    """What was copied and is this very file; empty, with the reason noted, when that can't be said.

    A name, a size and a time make nothing the same: samples or every byte must agree.
    """
    if file.samples is None:
        reasons.add(
            f"could not be read{f' ({file.detail})' if file.detail else ''}",
            "try another reader or cable, then ask again",
            file.path,
        )
        return ()
    if not file.candidates:
        reasons.add("never copied", "offload this card (ingest offload)", file.path)
        return ()
    same = [
        known
        for known in file.candidates
        if known.record.size == file.size and known.record.samples == file.samples
    ]
    read = dict(file.digests)
    if read:
        same = [known for known in same if _agrees(known.record, read) is True]
    if not same:
        names = ", ".join(sorted({shown(known.roll) for known in file.candidates}))
        reasons.add(
            f"has the name and size of a file copied as {names}, but other content",
            "offload this card as a new roll (ingest offload)",
            file.path,
        )
        return ()
    if read:
        return tuple(same)
    if any(_agrees(known.record, dict(same[0].record.digests)) is not True for known in same[1:]):
        reasons.add(
            "several files of this name were copied that can't be told apart by samples",
            "read the whole card: ingest reuse --reread",
            file.path,
        )
        return ()
    whole = file.size <= WHOLE  # its samples are all of it
    if not whole and not any(
        same_time(file.mtime_ns, known.record.mtime_ns, shift) for known in same
    ):
        reasons.add(
            "its time is not the one it was copied with, so it may have been changed",
            "read the whole card: ingest reuse --reread",
            file.path,
        )
        return ()
    return tuple(same)


def _agrees(record: FileRecord, digests: dict[str, str]) -> bool | None:
    """Whether digests agree with what was copied; None when no kind is shared."""
    shared = [kind for kind in record.digests if kind in digests]
    if not shared:
        return None
    return all(record.digests[kind] == digests[kind] for kind in shared)


# The copies ---------------------------------------------------------------------------------------


def _enough(
    file: FileNow,
    same: Sequence[Known],
    copies: Sequence[CopyNow],
    found: CardFound,
    policy: Policy,
    reasons: _Reasons,
) -> bool:
    enough = True
    if policy.read_twice and not file.digests and all(known.card_reads < 2 for known in same):
        reasons.add(
            "the card was read once, and twice is asked for",
            "read it again now: ingest reuse --reread",
            file.path,
        )
        enough = False
    good, wrong = [], []
    for copy in copies:
        reason = _not_counted(copy, found, policy)
        if reason is None:
            good.append(copy.drive)
        else:
            wrong.append((copy.drive, reason))
    if separate_devices(frozenset(good)) >= policy.copies:
        return enough
    for _, reason in wrong:
        reasons.add(reason.why, reason.do, file.path)
    curable = {drive for drive, reason in wrong if reason.do in _CURABLE}
    away = {drive for drive in curable if drive.volume is None}
    # Whether a drive that is away is on a device of its own is asked when it is here.
    if separate_devices(frozenset({*good, *curable} - away)) + len(away) < policy.copies:
        names = sorted({drive.name for drive in good})
        where = f" ({', '.join(map(shown, names))})" if names else ""
        count = separate_devices(frozenset(good))
        reasons.add(
            f"{_counted(count)} on a device shown to be separate{where}, {policy.copies} asked for",
            "offload it to one more drive (ingest offload --to): another physical device",
            file.path,
        )
    return False


def _counted(count: int) -> str:
    return {0: "no good copy", 1: "one good copy"}.get(count, f"{count} good copies")


_PLUG_IN = "plug the drive in and ask again"
_AUDIT = "read its copies again: ingest audit"
_REPLUG = "unplug the drive, plug it in again, then: ingest audit"
_CLOCK = "set this machine's clock right, then: ingest audit"
_ANEW = "keep the card, and offload it to another drive (ingest offload --to)"
_MEND = "keep the card; ingest mend {name} puts it back from a good copy"
_CURABLE = frozenset({_PLUG_IN, _AUDIT, _REPLUG, _CLOCK})
"""What to do that may make the copy count after all."""


def _not_counted(copy: CopyNow, found: CardFound, policy: Policy) -> Reason | None:
    """Why this copy does not count, or None when it does."""
    name = shown(copy.drive.name)
    if copy.drive.doubt:
        return Reason(f"{name}: {copy.drive.doubt}", _ANEW)
    if copy.looked is not None and copy.looked.bad is not None:
        detail = f" ({copy.looked.detail})" if copy.looked.detail else ""
        return Reason(f"the copy on {name} is {copy.looked.bad}{detail}", _MEND.format(name=name))
    state = copy.state
    if state.state.is_bad:
        return Reason(f"the copy on {name} is {state.state}", _MEND.format(name=name))
    if _on_the_card(copy.drive, found):
        return Reason(f"{name} is on the card's own device", _ANEW)
    if copy.drive.volume is None and not policy.offline_ok:
        return Reason(f"{name} is not mounted", _PLUG_IN)
    if copy.drive.volume is not None and copy.looked is None:
        return Reason(f"the copy on {name} was not looked at", _AUDIT)
    if state.state is State.DOUBTFUL:
        return Reason(
            f"the copy on {name} was found bad once and good only once or from lists since",
            _REPLUG,
        )
    if state.state is not State.MATCHED:
        return Reason(f"the copy on {name} is {state.state}: nobody has read it back", _AUDIT)
    if state.against not in STRONG:
        return Reason(f"the copy on {name} was only compared with {state.against}", _AUDIT)
    if state.route is not Route.MEDIUM and not _past_the_cache(copy):
        return Reason(
            f"the read-back on {name} may have come from memory, not from the drive", _REPLUG
        )
    return _aged(copy, found, policy) or _touched(copy)


def _aged(copy: CopyNow, found: CardFound, policy: Policy) -> Reason | None:
    name, at = shown(copy.drive.name), copy.state.at
    if at is None or at > found.now:
        return Reason(
            f"the evidence on {name} is dated in the future, so its age is not known", _CLOCK
        )
    if policy.max_age_days is not None and found.now - at > timedelta(days=policy.max_age_days):
        return Reason(
            f"the copy on {name} was last read more than {policy.max_age_days} days ago", _AUDIT
        )
    return None


def _touched(copy: CopyNow) -> Reason | None:
    """A copy whose time has changed since it was read may have been written to."""
    looked, look = copy.looked, copy.state.look
    if looked is None or not looked.detail:
        return None
    audited = look is not None and look.act is Act.AUDITED and looked.mtime_ns is not None
    if audited and look is not None and found_time(looked.mtime_ns or 0) in look.detail:
        return None
    return Reason(f"the copy on {shown(copy.drive.name)}: {looked.detail}", _AUDIT)


def _past_the_cache(copy: CopyNow) -> bool:
    """Read in a later mount than written, on a device of this machine and not on a share."""
    volume = copy.drive.volume
    return copy.state.remounted and volume is not None and volume.source.startswith("/dev/")


def _on_the_card(drive: DriveNow, found: CardFound) -> bool:
    card, volume = found.volume, drive.volume
    if card is None or volume is None or card.system:
        return False
    return card.st_dev == volume.st_dev or bool(set(card.disks) & set(volume.disks))


# Devices ------------------------------------------------------------------------------------------


def _different(one: DriveNow, other: DriveNow) -> bool:
    if one.volume is not None and other.volume is not None:
        return not same_device(one.volume, other.volume)
    serials = [
        drive.volume.serial if drive.volume is not None else drive.serial for drive in (one, other)
    ]
    return None not in serials and serials[0] != serials[1]


@lru_cache(maxsize=256)
def separate_devices(drives: frozenset[DriveNow]) -> int:
    """The most drives that can be picked with all physical devices different."""
    for count in range(len(drives), 1, -1):
        for chosen in combinations(drives, count):
            if all(_different(one, other) for one, other in combinations(chosen, 2)):
                return count
    return min(len(drives), 1)


def _copy_verdict(copy: CopyNow) -> CopyVerdict:
    state, evidence = copy.state.state, copy.state.why
    if copy.looked is not None and copy.looked.bad is not None:
        state = copy.looked.bad
        evidence = f"looked at just now: {copy.looked.detail or state}; before: {evidence}"
    elif copy.looked is not None:
        evidence += "; there just now, size and samples agree"
    else:
        evidence += "; not here to be looked at"
    return CopyVerdict(copy.drive.name, state, evidence, copy.state.at)
