"""The history of a roll's folder: its chain, and every hash list the chain names.

Everything goes through a handle of the roll's folder, opened for reading (not by O_PATH, since
it is flushed). A hash list, once written, is never changed; the chain is replaced as a whole and
only ever grows. What a crash leaves: before the list's rename, nothing but an unfinished file;
between the list's rename and the chain's, a list that no chain names (`History.orphans`), which
`adopt_generation` takes in when its C4 is known from elsewhere; after it, the new state.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from ingest.manifest.durable import Durable, OsDurable, flush_folder
from ingest.manifest.files import (
    LINK_ERRORS,
    c4_of,
    not_a_folder,
    open_folder,
    read_chain_file,
    read_checked,
)
from ingest.manifest.model import (
    CHAIN_NAME,
    HISTORY_FOLDER,
    MANIFEST_SUFFIX,
    BadManifest,
    ChainEntry,
    HashList,
)
from ingest.manifest.reading import read_chain, read_manifest
from ingest.manifest.writing import ManifestXml, chain_xml, manifest_name, manifest_xml
from ingest.names import shown

__all__ = [
    "Generation",
    "History",
    "HistoryProblem",
    "Orphan",
    "PreparedList",
    "Trouble",
    "WrittenList",
    "adopt_generation",
    "commit_generation",
    "prepare_generation",
    "read_history",
    "write_generation",
]


class Trouble(StrEnum):
    """What can be wrong with a history."""

    NO_CHAIN = "no chain"
    BAD_CHAIN = "chain can't be read"
    SEQUENCE = "sequence"
    MISSING = "missing"
    ALTERED = "altered"
    BAD_LIST = "list can't be read"
    ODD_LIST = "list is odd"
    NOT_IN_CHAIN = "not in the chain"
    REFERENCE = "reference"


@dataclass(frozen=True, slots=True)
class HistoryProblem:
    """One thing that is wrong; `str()` gives the line for people. `name` is as on the drive."""

    trouble: Trouble
    name: str
    detail: str

    def __str__(self) -> str:
        return f"{shown(self.name)}: {self.detail}"


@dataclass(frozen=True, slots=True)
class Generation:
    """One hash list that the chain names."""

    sequence: int
    name: str
    c4: str
    """As the chain says."""
    unaltered: bool
    """True when the file has the chain's C4."""
    hash_list: HashList | None
    """None when it is missing or can't be read."""

    @property
    def is_sound(self) -> bool:
        """True when it was read, and is what the chain says."""
        return self.unaltered and self.hash_list is not None


@dataclass(frozen=True, slots=True)
class Orphan:
    """A hash list that the chain does not name, with the C4 of its bytes."""

    name: str
    c4: str


@dataclass(frozen=True, slots=True)
class History:
    """What was found. Without a folder for it: no generations, no problems."""

    generations: tuple[Generation, ...] = ()
    """By sequence number."""
    problems: tuple[HistoryProblem, ...] = ()
    orphans: tuple[Orphan, ...] = ()


@dataclass(frozen=True, slots=True)
class PreparedList:
    """A generation ready to be written: what its name, its C4 and the new chain will be."""

    sequence: int
    name: str
    c4: str
    data: bytes
    chain_before: bytes | None
    chain: bytes
    not_listed: tuple[str, ...]

    @property
    def path(self) -> str:
        """Relative to the roll's folder."""
        return f"{HISTORY_FOLDER}/{self.name}"


@dataclass(frozen=True, slots=True)
class WrittenList:
    """A generation that is on the drive and in its chain."""

    path: str
    """Relative to the roll's folder."""
    c4: str
    sequence: int
    not_listed: tuple[str, ...]
    """Files and folders whose names no hash list can hold: they are to be named elsewhere."""


def write_generation(
    roll_fd: int,
    folder_name: str,
    hash_list: HashList,
    now: datetime,
    *,
    durable: Durable | None = None,
) -> WrittenList:
    """Append one generation to the history of a roll's folder, making the history if need be.

    `folder_name` is the name of the roll's folder, `now` the aware time at which the operation
    began (section 6.3). Raises BadManifest when there is nothing to list, when the existing
    chain can't be read, or when lists stand there without a chain; OSError when the drive
    fails. The chain's older entries are kept; whether they are true is for `read_history`.
    """
    return commit_generation(
        roll_fd, prepare_generation(roll_fd, folder_name, hash_list, now), durable=durable
    )


def prepare_generation(
    roll_fd: int,
    folder_name: str,
    hash_list: HashList,
    now: datetime,
    *,
    beside: Collection[str] = (),
    made: ManifestXml | None = None,
) -> PreparedList:
    """Work out the next generation and write nothing. The C4 can be noted before the commit, so
    that a list left by a crash between its two renames is known again.

    `beside`: names of lists that may lie there without a chain (a card's broken history). `made`:
    the list's XML, where it was made already."""
    made = made or manifest_xml(hash_list)
    before, entries, names = _chain_now(roll_fd)
    strange = [one for one in names if one.endswith(MANIFEST_SUFFIX) and one not in beside]
    if before is None and strange:
        raise BadManifest(
            f"{HISTORY_FOLDER} holds hash lists but no {CHAIN_NAME}",
            do="put the chain back, or move the folder aside",
        )
    sequence = max((entry.sequence for entry in entries), default=0) + 1
    name = manifest_name(sequence, folder_name, now)
    c4 = c4_of(made.data)
    chain = chain_xml((*entries, ChainEntry(sequence, name, c4)))
    return PreparedList(sequence, name, c4, made.data, before, chain, made.not_listed)


def commit_generation(
    roll_fd: int, prepared: PreparedList, *, durable: Durable | None = None
) -> WrittenList:
    """Write what was prepared: the hash list first, then the chain.

    Raises BadManifest when the chain changed since, or the list's name is taken.
    """
    durable = durable or OsDurable()
    folder_fd = _open_or_make(roll_fd)
    try:
        if read_chain_file(folder_fd) != prepared.chain_before:
            raise BadManifest(f"{CHAIN_NAME} changed while the hash list was made")
        try:
            durable.write_new(folder_fd, prepared.name, prepared.data)
        except FileExistsError as error:
            raise BadManifest(
                f"{prepared.path} exists already, and a hash list is never replaced"
            ) from error
        durable.replace(folder_fd, CHAIN_NAME, prepared.chain)
    finally:
        os.close(folder_fd)
    return WrittenList(prepared.path, prepared.c4, prepared.sequence, prepared.not_listed)


def adopt_generation(
    roll_fd: int, name: str, c4: str, *, durable: Durable | None = None
) -> ChainEntry:
    """Take a hash list that a crash left outside the chain into it.

    `name` is that of the file in the history's folder, `c4` what is known of it from elsewhere
    (the run's own journal). Raises BadManifest when the file is not that, is in the chain
    already, or can't be read.
    """
    durable = durable or OsDurable()
    try:
        folder_fd = open_folder(roll_fd, HISTORY_FOLDER)
    except OSError as error:
        raise not_a_folder(error) from error
    try:
        data = read_checked(folder_fd, name)
        if c4_of(data) != c4:
            raise BadManifest(f"{shown(name)} is not the hash list that was written (other C4)")
        before = read_chain_file(folder_fd)
        entries = () if before is None else read_chain(before).entries
        if any(entry.name == name for entry in entries):
            raise BadManifest(f"{shown(name)} is in the chain already")
        read_manifest(data)
        added = ChainEntry(max((entry.sequence for entry in entries), default=0) + 1, name, c4)
        durable.replace(folder_fd, CHAIN_NAME, chain_xml((*entries, added)))
    finally:
        os.close(folder_fd)
    return added


def read_history(roll_fd: int) -> History:
    """Read and check the whole history of a roll's folder. Never raises for what it finds there:
    every doubt is a problem in the result. OSError comes out only when the drive itself fails.
    """
    try:
        folder_fd = open_folder(roll_fd, HISTORY_FOLDER)
    except FileNotFoundError:
        return History()
    except OSError as error:
        if error.errno not in LINK_ERRORS:
            raise
        return History(problems=(_problem(Trouble.BAD_CHAIN, HISTORY_FOLDER, "is no folder"),))
    try:
        return _read_history(roll_fd, folder_fd)
    finally:
        os.close(folder_fd)


def _read_history(roll_fd: int, folder_fd: int) -> History:
    problems: list[HistoryProblem] = []
    lists = sorted(one for one in os.listdir(folder_fd) if one.endswith(MANIFEST_SUFFIX))
    entries: Sequence[ChainEntry] = ()
    try:
        chain = read_chain_file(folder_fd)
        if chain is not None:
            read = read_chain(chain)
            entries = read.entries
            problems += [_problem(Trouble.SEQUENCE, CHAIN_NAME, said) for said in read.remarks]
        elif lists:
            problems.append(_problem(Trouble.NO_CHAIN, CHAIN_NAME, "is missing"))
    except BadManifest as error:
        problems.append(_problem(Trouble.BAD_CHAIN, CHAIN_NAME, error.what))
    problems += _sequence_problems(entries)
    once = {entry.name: entry for entry in reversed(entries)}  # a file is read once, as named first
    generations = [_generation(roll_fd, folder_fd, one, problems) for one in once.values()]
    orphans = []
    for name in sorted(set(lists) - {entry.name for entry in entries}):
        try:
            orphans.append(Orphan(name, c4_of(read_checked(folder_fd, name))))
            detail = "is not in the chain"
        except BadManifest as error:
            detail = f"is not in the chain, and {error.what}"
        problems.append(_problem(Trouble.NOT_IN_CHAIN, name, detail))
    generations.sort(key=lambda one: one.sequence)
    return History(tuple(generations), tuple(problems), tuple(orphans))


def _sequence_problems(entries: Sequence[ChainEntry]) -> list[HistoryProblem]:
    """Section 7.4.1: a continuous count from 1, in order; and no file twice."""
    problems = []
    for place, entry in enumerate(entries, start=1):
        if entry.sequence != place:
            detail = f"has number {entry.sequence} in the chain where {place} should stand"
            problems.append(_problem(Trouble.SEQUENCE, entry.name, detail))
            break
    times = Counter(entry.name for entry in entries)
    problems += [
        _problem(Trouble.SEQUENCE, name, "stands in the chain more than once")
        for name, count in sorted(times.items())
        if count > 1
    ]
    return problems


def _generation(
    roll_fd: int, folder_fd: int, entry: ChainEntry, problems: list[HistoryProblem]
) -> Generation:
    def found(unaltered: bool, hash_list: HashList | None) -> Generation:
        return Generation(entry.sequence, entry.name, entry.c4, unaltered, hash_list)

    try:
        data = read_checked(folder_fd, entry.name)
    except FileNotFoundError:
        problems.append(_problem(Trouble.MISSING, entry.name, "is in the chain, and missing"))
        return found(False, None)
    except BadManifest as error:
        problems.append(_problem(Trouble.BAD_LIST, entry.name, error.what))
        return found(False, None)
    unaltered = c4_of(data) == entry.c4
    if not unaltered:
        problems.append(
            _problem(Trouble.ALTERED, entry.name, "is not what the chain says (other C4)")
        )
    try:
        read = read_manifest(data)
    except BadManifest as error:
        problems.append(_problem(Trouble.BAD_LIST, entry.name, error.what))
        return found(unaltered, None)
    problems += [_problem(Trouble.ODD_LIST, entry.name, said) for said in read.remarks]
    for reference in read.hash_list.references:
        detail = _reference_problem(roll_fd, reference.path, reference.c4)
        if detail:
            problems.append(_problem(Trouble.REFERENCE, reference.path, detail))
    return found(unaltered, read.hash_list)


def _reference_problem(roll_fd: int, path: str, c4: str) -> str:
    try:
        data = read_checked(roll_fd, path)
    except FileNotFoundError:
        return "is referred to, and missing"
    except BadManifest as error:
        return f"is referred to, and {error.what}"
    return "" if c4_of(data) == c4 else "is not what the reference says (other C4)"


def _chain_now(roll_fd: int) -> tuple[bytes | None, tuple[ChainEntry, ...], list[str]]:
    try:
        folder_fd = open_folder(roll_fd, HISTORY_FOLDER)
    except FileNotFoundError:
        return None, (), []
    except OSError as error:
        raise not_a_folder(error) from error
    try:
        chain = read_chain_file(folder_fd)
        entries = () if chain is None else read_chain(chain).entries
        return chain, entries, os.listdir(folder_fd)
    except BadManifest as error:
        raise BadManifest(f"{HISTORY_FOLDER}/{CHAIN_NAME}: {error.what}") from error
    finally:
        os.close(folder_fd)


def _open_or_make(roll_fd: int) -> int:
    try:
        try:
            os.mkdir(HISTORY_FOLDER, dir_fd=roll_fd)
        except FileExistsError:
            pass
        else:
            flush_folder(roll_fd)
        folder_fd = open_folder(roll_fd, HISTORY_FOLDER)
    except OSError as error:
        raise not_a_folder(error) from error
    if os.fstat(folder_fd).st_dev != os.fstat(roll_fd).st_dev:
        os.close(folder_fd)
        raise BadManifest(f"{HISTORY_FOLDER} lies on another file system than its folder")
    return folder_fd


def _problem(trouble: Trouble, name: str, detail: str) -> HistoryProblem:
    return HistoryProblem(trouble, name, detail)
