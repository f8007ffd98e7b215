"""The hash lists of one roll through its life, held against what lies outside this project."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import xxhash
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import etree

from fixtures.damage import flip_bit
from tests.conftest import Runner
from tests.e2e.further import CLIPS, FOLDER, disks_apart, offloaded

STANDARD = Path(__file__).parents[2].parent / "shared" / "standards"


@pytest.fixture
def life(tmp_path: Path, desk: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Offloaded, audited, gone on with another file, damaged, audited, in the end of its life."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    assert ingest("audit").code == 0
    more = tmp_path / "card" / "CLIP" / "C0004 & more.BIN"
    more.write_bytes(b"fourth clip")
    words = ("--day", "1", "--roll", "A003", "--to", tmp_path / "HERON", "--to", tmp_path / "OTTER")
    assert ingest("offload", tmp_path / "card", *words).code == 0
    flip_bit(tmp_path / "HERON" / FOLDER / "CLIP/C0003.BIN")
    assert ingest("audit").code == 3
    return tmp_path


def test_every_list_of_a_life_is_valid_by_the_standards_schemas(life: Path) -> None:
    """ASC MHL v1.0, Appendices A and E."""
    if not STANDARD.exists():
        pytest.skip("the standard's schemas do not lie beside the checkout")
    manifest = etree.XMLSchema(etree.parse(STANDARD / "ascmhl-manifest.xsd"))
    chain = etree.XMLSchema(etree.parse(STANDARD / "ascmhl-directory.xsd"))
    lists = sorted(life.glob("*/*/*/A003/ascmhl/*.mhl"))
    assert len(lists) == 8, "on two drives: offload, audit, offload, audit"
    for one in lists:
        manifest.assertValid(etree.parse(one))
    for one in life.glob("*/*/*/A003/ascmhl/ascmhl_chain.xml"):
        chain.assertValid(etree.parse(one))


# A stranger, with the standard and general-purpose libraries only ---------------------------------

LIST = "{urn:ASC:MHL:v2.0}"
CHAIN = "{urn:ASC:MHL:DIRECTORY:v2.0}"
BASE58 = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"  # ST 2114, from memory
KINDS: dict[str, Callable[[bytes], str]] = {
    "md5": lambda data: hashlib.md5(data).hexdigest(),
    "sha1": lambda data: hashlib.sha1(data).hexdigest(),
    "xxh64": lambda data: str(xxhash.xxh64(data).hexdigest()),
    "xxh3": lambda data: str(xxhash.xxh3_64(data).hexdigest()),
    "xxh128": lambda data: str(xxhash.xxh3_128(data).hexdigest()),
}


def c4(data: bytes) -> str:
    number, text = int.from_bytes(hashlib.sha512(data).digest(), "big"), ""
    while number:
        number, rest = divmod(number, 58)
        text = BASE58[rest] + text
    return "c4" + text.rjust(88, "1")


def stranger(roll: Path) -> dict[str, str]:
    """What a stranger finds wrong with a roll: path -> word. Follows the chain, then the lists."""
    wrong: dict[str, str] = {}
    good: dict[str, dict[str, str]] = {}
    for entry in etree.parse(roll / "ascmhl" / "ascmhl_chain.xml").getroot():
        name = entry.findtext(f"{CHAIN}path")
        made = roll / "ascmhl" / name
        if c4(made.read_bytes()) != entry.findtext(f"{CHAIN}c4"):
            wrong[name] = "altered list"
            continue
        for one in etree.parse(made).getroot().iter(f"{LIST}hash"):
            path = one.find(f"{LIST}path")
            for digest in one:
                if digest.get("action") in ("original", "verified"):
                    kind = etree.QName(digest).localname
                    good.setdefault(path.text, {}).setdefault(kind, digest.text)
    there = {
        str(file.relative_to(roll)): file
        for file in roll.rglob("*")
        if file.is_file() and "ascmhl" not in file.relative_to(roll).parts
    }
    for path, digests in good.items():
        if path not in there:
            wrong[path] = "missing"
        elif any(KINDS[kind](there[path].read_bytes()) != d for kind, d in digests.items()):
            wrong[path] = "other content"
    return wrong | dict.fromkeys(there.keys() - good.keys(), "not listed")


def test_a_stranger_can_verify_a_roll(life: Path) -> None:
    """With the roll's folder and the standard alone, some thirty lines."""
    assert stranger(life / "OTTER" / FOLDER) == {}
    assert stranger(life / "HERON" / FOLDER) == {"CLIP/C0003.BIN": "other content"}
    listed = next((life / "OTTER" / FOLDER / "ascmhl").glob("0001*"))
    listed.write_bytes(listed.read_bytes() + b" ")
    assert listed.name in stranger(life / "OTTER" / FOLDER)


def test_another_packaging_standard_finds_the_same_files_and_digests(
    life: Path, tmp_path: Path
) -> None:
    """RFC 8493 (BagIt): a roll is bagged with the digests of our lists, and the library of the
    Library of Congress finds the bag valid; with one bit flipped it does not."""
    bagit = pytest.importorskip("bagit")
    bag = tmp_path / "bag"
    shutil.copytree(life / "OTTER" / FOLDER, bag / "data", ignore=shutil.ignore_patterns("ascmhl"))
    digests: dict[str, str] = {}
    for made in sorted((life / "OTTER" / FOLDER / "ascmhl").glob("*.mhl")):
        for one in etree.parse(made).getroot().iter(f"{LIST}hash"):
            if (md5 := one.findtext(f"{LIST}md5")) is not None:
                digests[one.findtext(f"{LIST}path")] = md5
    assert set(digests) == {*CLIPS, "CLIP/C0004 & more.BIN"}
    (bag / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    lines = [f"{digest}  data/{path}\n" for path, digest in digests.items()]
    (bag / "manifest-md5.txt").write_text("".join(lines))
    found: Any = bagit.Bag(str(bag))
    assert found.validate()
    flip_bit(bag / "data" / "CLIP" / "C0002.BIN")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(bag)).validate()


# Any single change ------------------------------------------------------------------------------

CHANGES = ("content", "length", "longer", "removed", "renamed", "added", "list", "chain")


@pytest.mark.long
def test_any_single_change_is_told_apart_through_the_lists_alone(
    tmp_path: Path, desk: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Content, length, rename, removal, addition, and tampering with list or chain, at any place
    of any file: each named as what it is, by an audit that asks no catalog. (With list or chain
    gone bad nothing is vouched for, so nothing is compared.)"""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    whole = tmp_path / "HERON" / FOLDER
    files = sorted(path for path in CLIPS)
    place = tmp_path / "away" / "A003"

    @settings(
        max_examples=60,
        deadline=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture],
    )
    @given(
        change=st.sampled_from(CHANGES),
        path=st.sampled_from(files),
        where=st.floats(0, 1, exclude_max=True),
        new=st.text("abcé ☂'", min_size=1, max_size=9),
    )
    def check(change: str, path: str, where: float, new: str) -> None:
        shutil.rmtree(place.parent, ignore_errors=True)
        shutil.copytree(whole, place)
        expected, unknown = _change(place, change, path, where, new)
        ran = ingest("audit", place, "--by", "lists", "--no-record", "--json")
        told = {(one["path"], one["state"]) for one in ran.document["problems"]}
        assert told == expected, ran.out + ran.err
        assert ran.code == (3 if expected else 0)
        (roll,) = ran.document["drives"][0]["rolls"] or [{"unknown_files": []}]
        assert roll["unknown_files"] == unknown

    check()


def _change(
    place: Path, change: str, path: str, where: float, new: str
) -> tuple[set[tuple[str, str]], list[str]]:
    """Do it; what is to be told of it: path and state, and what nobody knows."""
    file = place / path
    size = len(CLIPS[path])
    if change == "content" and size:
        data = bytearray(file.read_bytes())
        data[int(where * size)] ^= 1 << int(where * 8)
        file.write_bytes(data)
        return {(path, "mismatch")}, []
    if change == "length" and size:
        os.truncate(file, int(where * size))
        return {(path, "short")}, []
    if change == "longer":
        with file.open("ab") as more:
            more.write(new.encode())
        return {(path, "long")}, []
    if change == "removed":
        file.unlink()
        return {(path, "missing")}, []
    if change == "renamed":
        file.rename(file.with_name(f"_{new}"))
        return {(path, "missing")}, [str(file.with_name(f"_{new}").relative_to(place))]
    if change == "added":
        (place / f"_{new}").write_bytes(b"x")
        return set(), [f"_{new}"]
    if change == "list":
        (listed,) = (place / "ascmhl").glob("*.mhl")
        data = bytearray(listed.read_bytes())
        data[int(where * len(data))] ^= 1
        listed.write_bytes(data)
        return {(f"ascmhl/{listed.name}", "unverified")}, []
    if change == "chain":
        (place / "ascmhl" / "ascmhl_chain.xml").unlink()
        (listed,) = (place / "ascmhl").glob("*.mhl")
        lists = ("ascmhl_chain.xml", listed.name)
        return {(f"ascmhl/{name}", "unverified") for name in lists}, []
    return set(), []
