"""The lists of a proof: a flattened ASC MHL list of each roll, their collection, and plain ones.

Flattened (ASC MHL v1.0, 5.6.7): one entry a file, the earliest digest of each kind, none that
failed, no hashes of folders. The collection (5.5, section 8) names each list with its C4.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ingest import __version__
from ingest.checksums import KINDS, LISTED_KINDS
from ingest.manifest.files import c4_of
from ingest.manifest.model import (
    Action,
    BadManifest,
    ChainEntry,
    CreatorInfo,
    Entry,
    EntryHash,
    HashList,
    Process,
    utc_from_ns,
)
from ingest.manifest.plain import PLAIN_KINDS, plain_list
from ingest.manifest.writing import chain_xml, manifest_name, manifest_xml
from ingest.report.proof.facts import Layout, ProofFacts, ProofFile, ProofRoll

__all__ = ["COLLECTION", "FOOTAGE", "MANIFESTS", "Lists", "collect", "footage_name"]

COLLECTION = "ascmhl_collection.xml"
"""Its name by the standard (section 8.3)."""

MANIFESTS = "manifests"
FOOTAGE = "footage"


class Lists:
    """The files by their names in the proof, and what they can't hold."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.manifests: dict[str, str] = {}
        """Roll to the name of its list."""
        self.not_listed: list[str] = []
        """ROLL/PATH of what a hash list can't hold: names that XML has no way to write."""


def collect(facts: ProofFacts) -> Lists:
    """Every list of the proof."""
    lists = Lists()
    chain: list[ChainEntry] = []
    for roll in facts.rolls:
        try:
            data, not_listed = _manifest(facts, roll)
        except BadManifest:
            data, not_listed = b"", [file.path for file in facts.files if file.roll == roll.name]
        lists.not_listed += [f"{roll.name}/{path}" for path in not_listed]
        if not data:
            continue
        number = len(chain) + 1
        name = f"{MANIFESTS}/{manifest_name(number, roll.name, facts.as_of)}"
        lists.files[name] = data
        lists.manifests[roll.name] = name
        chain.append(ChainEntry(number, name, c4_of(data)))
    if chain:
        lists.files[COLLECTION] = chain_xml(chain)
    for number, layout in enumerate(facts.layouts):
        for kind in PLAIN_KINDS:
            pairs = _pairs(facts, layout, kind)
            if pairs:
                lists.files[footage_name(number, kind)] = plain_list(pairs, kind)
    return lists


def footage_name(number: int, kind: str) -> str:
    """`footage.md5`; of drives that are laid out otherwise `footage-2.md5`."""
    return f"{FOOTAGE}.{kind}" if number == 0 else f"{FOOTAGE}-{number + 1}.{kind}"


def _pairs(facts: ProofFacts, layout: Layout, kind: str) -> list[tuple[str, str]]:
    by_name: Mapping[str, ProofFile] = {file.name: file for file in facts.files}
    return sorted(
        (path, by_name[name].digests[kind])
        for name, path in layout.paths.items()
        if kind in by_name[name].digests
    )


def _manifest(facts: ProofFacts, roll: ProofRoll) -> tuple[bytes, Sequence[str]]:
    seen: dict[str, Entry] = {}
    twice: set[str] = set()
    for file in facts.files:
        if file.roll != roll.name:
            continue
        hashes = tuple(
            EntryHash(
                kind, file.digests[kind], Action.VERIFIED if kind in file.later else Action.ORIGINAL
            )
            for kind in KINDS
            if kind in LISTED_KINDS and kind in file.digests
        )
        if file.path in seen or not hashes:
            twice.add(file.path)
        else:
            seen[file.path] = Entry(file.path, file.size, utc_from_ns(file.mtime_ns), hashes)
    made = manifest_xml(
        HashList(
            creator=CreatorInfo(
                created=facts.as_of,
                hostname=facts.machine or "left out",
                tool="ingest",
                tool_version=__version__,
            ),
            process=Process.FLATTEN,
            entries=tuple(entry for path, entry in seen.items() if path not in twice),
        )
    )
    return made.data, (*made.not_listed, *sorted(twice))
