"""What is written, held against the standard's own schemas and examples."""

from __future__ import annotations

import string
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from ingest.manifest.model import (
    Action,
    Author,
    ChainEntry,
    CreatorInfo,
    DirectoryEntry,
    Entry,
    EntryHash,
    FolderHashes,
    HashList,
    Process,
    Reference,
)
from ingest.manifest.reading import read_chain, read_manifest
from ingest.manifest.values import DIGEST_LENGTHS
from ingest.manifest.writing import chain_xml, manifest_xml


def standard(name: str) -> Path:
    """A file of the standard, where it lies beside the checkout; skips where it does not."""
    path = Path(__file__).parents[2].parent / "shared" / "standards" / name
    if not path.exists():
        pytest.skip("the standard's schemas do not lie beside the checkout")
    return path


@cache
def schema(name: str) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(str(standard(name))))


def check(data: bytes, name: str) -> None:
    schema(name).assertValid(etree.fromstring(data))


C4 = "c418T9ncneEGEMT5NopfHGRPRBAuoxwYkP6w5S8xChNBYnFMZ4AknVurpwxTPsUouLtF9NGyxMBsZTDBEEpL3JdHoG"

moments = st.datetimes(datetime(1, 1, 2), datetime(9999, 12, 30), timezones=st.just(UTC))
texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)
parts = st.text(
    st.characters(exclude_characters="/\0", exclude_categories=()), min_size=1, max_size=8
).filter(lambda part: part not in (".", ".."))
# Any bytes as a name: what is not UTF-8 stands inside as lone surrogates.
raw_parts = st.binary(min_size=1, max_size=6).map(
    lambda raw: raw.decode("utf-8", "surrogateescape")
)
clean_parts = raw_parts.map(lambda one: one.replace("/", "_").replace("\0", "_")).filter(
    lambda part: part not in (".", "..")
)
paths = st.lists(st.one_of(parts, clean_parts), min_size=1, max_size=3).map("/".join)


def one_digest(kind: str) -> st.SearchStrategy[str]:
    if kind == "c4":
        return st.just(C4)
    return st.text("0123456789abcdef", min_size=DIGEST_LENGTHS[kind], max_size=DIGEST_LENGTHS[kind])


@st.composite
def hashes(draw: st.DrawFn) -> tuple[EntryHash, ...]:
    kinds = draw(
        st.sets(st.sampled_from(["c4", "md5", "sha1", "xxh128", "xxh3", "xxh64"]), min_size=1)
    )
    return tuple(
        EntryHash(
            kind,
            draw(one_digest(kind)),
            draw(st.sampled_from(Action)),
            draw(st.none() | moments),
        )
        for kind in sorted(kinds)
    )


@st.composite
def hash_lists(draw: st.DrawFn) -> HashList:
    chosen = draw(st.lists(paths, min_size=1, max_size=6, unique=True))
    cut = draw(st.integers(0, len(chosen)))
    previous = st.none() | st.just("before/it.mov")
    entries = tuple(
        Entry(
            path,
            draw(st.integers(0, 2**63)),
            draw(st.none() | moments),
            draw(hashes()),
            draw(previous),
        )
        for path in chosen[:cut]
    )
    folders = []
    for path in chosen[cut:]:
        content = draw(hashes())
        both = FolderHashes(content, content)
        folders.append(DirectoryEntry(path, draw(st.none() | moments), both, draw(previous)))
    content = draw(hashes())
    clean = texts.map(lambda text: "".join(c for c in text if c in string.printable[:95]))
    return HashList(
        creator=CreatorInfo(
            draw(moments),
            draw(clean),
            "ingest",
            draw(clean),
            tuple(
                draw(
                    st.lists(
                        st.builds(Author, clean, st.just("ada@example.org"), clean, clean),
                        max_size=2,
                    )
                )
            ),
            draw(clean),
            draw(clean),
        ),
        process=draw(st.sampled_from(Process)),
        entries=entries,
        folders=tuple(folders),
        root=draw(st.none() | st.just(FolderHashes(content, content))),
        ignore=(".DS_Store", "ascmhl/", *draw(st.sampled_from([(), ("*.tmp",), ("\\#x", "a b")]))),
        references=draw(st.sampled_from([(), (Reference("Card/ascmhl/0001_Card_x.mhl", C4),)])),
    )


@settings(max_examples=150, deadline=None)
@given(hash_lists())
def test_any_list_is_valid_and_reads_back_as_the_same(hash_list: HashList) -> None:
    """Whatever the names: valid by Appendix A, nothing changed, nothing lost but what is told."""
    if not listed(hash_list) and not hash_list.references:
        return
    written = manifest_xml(hash_list)
    if listed(hash_list):  # references alone are legal by the text, not by the schema
        check(written.data, "ascmhl-manifest.xsd")
    read = read_manifest(written.data)
    assert read.hash_list == without(hash_list, set(written.not_listed))
    assert not any("twice" in remark for remark in read.remarks)
    for path in written.not_listed:
        with pytest.raises((ValueError, UnicodeEncodeError)):
            etree.Element("path").text = path


def listed(hash_list: HashList) -> list[str]:
    found = []
    for one in (*hash_list.entries, *hash_list.folders):
        try:
            etree.Element("path").text = one.path
        except ValueError:
            continue
        found.append(one.path)
    return found


def without(hash_list: HashList, gone: set[str]) -> HashList:
    return HashList(
        hash_list.creator,
        hash_list.process,
        tuple(one for one in hash_list.entries if one.path not in gone),
        tuple(one for one in hash_list.folders if one.path not in gone),
        hash_list.root,
        hash_list.ignore,
        hash_list.references,
    )


@settings(deadline=None)
@given(
    st.lists(st.text(string.ascii_letters + " &<>'\"é雪\n\r\t", min_size=1), min_size=1, max_size=5)
)
def test_any_chain_is_valid_and_reads_back_as_the_same(names: list[str]) -> None:
    """A chain written is valid by Appendix E, in order and whole."""
    entries = tuple(ChainEntry(place, name, C4) for place, name in enumerate(names, start=1))
    data = chain_xml(entries)
    check(data, "ascmhl-directory.xsd")
    assert read_chain(data).entries == entries


def test_the_standards_example_list_is_read() -> None:
    """Appendix B: files, a folder with a trailing slash, a failed one, metadata, references."""
    read = read_manifest(standard("example-manifest.xml").read_bytes())
    found = read.hash_list
    assert [entry.path for entry in found.entries] == [
        "Clips/A002C006_141024_R2EC.mov",
        "Clips/A002C007_141024_R2EC.mov",
        "Sidecar.txt",
    ]
    assert found.entries[0].size == 5
    moment = found.entries[0].mtime
    assert moment is not None
    assert moment.utcoffset() == timedelta(hours=2)
    assert moment.astimezone(UTC) == datetime(2019, 10, 11, 13, 56, 3, tzinfo=UTC)
    assert found.entries[2].hashes == (EntryHash("xxh64", "3ab5a4166b9bde44", Action.FAILED),)
    assert [folder.path for folder in found.folders] == ["Clips"]
    assert found.folders[0].hashes.structure == (EntryHash("xxh64", "8f4a80fd7680e5f9"),)
    assert found.process is Process.IN_PLACE
    assert found.root == FolderHashes(
        (EntryHash("xxh64", "7680e5f98f4a80fd"),), (EntryHash("xxh64", "8f4a80fd7680e5f9"),)
    )
    assert found.ignore == ("*.DS_Store", "/tmp")
    assert [author.name for author in found.creator.authors] == ["Liz Foo", "Ben Zed"]
    assert found.creator.tool_version == "0.0.3"
    assert [one.path for one in found.references] == [
        "A002R2EC/ascmhl/0002_A002R2EC_2020-01-17_143000.mhl",
        "A003R2EC/ascmhl/0002_A003R2EC_2020-01-17_143000.mhl",
    ]
    assert read.remarks == ()


def test_the_standards_example_chain_is_read() -> None:
    """Appendix F."""
    read = read_chain(standard("example-chain.xml").read_bytes())
    assert [(entry.sequence, entry.name) for entry in read.entries] == [
        (1, "0001_A002R2EC_2020-01-16_091500.mhl"),
        (2, "0002_A002R2EC_2020-01-16_091500.mhl"),
    ]
    assert read.remarks == ()


def test_the_example_written_again_is_valid() -> None:
    """Appendix B, once through us, is still valid and still the same."""
    read = read_manifest(standard("example-manifest.xml").read_bytes()).hash_list
    data = manifest_xml(read).data
    check(data, "ascmhl-manifest.xsd")
    again = read_manifest(data).hash_list
    assert again.entries == read.entries  # equal moments are equal, whatever their zone
    assert again.folders == read.folders
    assert again.ignore == (".DS_Store", "ascmhl/", *read.ignore)
