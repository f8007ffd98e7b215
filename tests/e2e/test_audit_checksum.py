"""`ingest audit --checksum`: a further kind for files that lack it, in the audit's one read."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from fixtures.damage import flip_bit
from ingest.checksums import c4_from_digest
from ingest.manifest.reading import read_manifest
from tests.conftest import Runner


@pytest.fixture
def shot(
    ingest: Runner, card: Callable[[str], Path], drives: tuple[Path, Path], apart: None
) -> tuple[Path, Path]:
    """A roll on two drives, with the usual two kinds of checksum."""
    ran = ingest(
        "offload", card("DAY1/B001"), "--production", "Kestrel Quay", "--day", "1",
        "--to", drives[0], "--to", drives[1],
    )  # fmt: skip
    assert ran.code == 0, ran.err
    return drives


def c4_of(path: Path) -> str:
    return c4_from_digest(hashlib.sha512(path.read_bytes()).digest())


def test_the_added_kind_is_in_the_catalog_the_hash_list_and_the_proof(
    ingest: Runner, shot: tuple[Path, Path], desk: Path
) -> None:
    """Computed from the bytes that were compared in the same read; the list calls it verified,
    since another kind was equal (ASC MHL v1.0, 6.5.1). One drive is enough."""
    ran = ingest("audit", shot[0], "--checksum", "c4", "--json")
    assert ran.code == 0, ran.err
    assert "to read, about" in ran.err
    lists = sorted(shot[0].rglob("ascmhl/*.mhl"))
    newest = read_manifest(lists[-1].read_bytes()).hash_list
    for entry in newest.entries:
        digests = {one.kind: (one.digest, str(one.action)) for one in entry.hashes}
        place = next(shot[0].rglob("B001")) / entry.path
        assert digests["c4"] == (c4_of(place), "verified")
    assert ingest("proof", "--out", desk / "proof").code == 0
    told = json.loads((desk / "proof" / "proof.json").read_text())
    for file in told["files"]:
        place = next(shot[1].rglob("B001")) / file["path"]
        assert file["digests"]["c4"] == c4_of(place)
        assert file["digests"]["sha512"] == hashlib.sha512(place.read_bytes()).hexdigest()
    assert (desk / "proof" / "footage.sha512").is_file()
    assert "Do:" not in ingest("proof", "--out", desk / "again").out


def test_a_copy_that_is_bad_adds_nothing(
    ingest: Runner, shot: tuple[Path, Path], desk: Path
) -> None:
    """What isn't equal to what the card gave says nothing of the file; a good copy does later."""
    flip_bit(next(shot[0].rglob("C0002.MP4")))
    assert ingest("audit", shot[0], "--checksum", "sha256").code == 3
    assert ingest("proof", "--out", desk / "proof").code == 3
    told = json.loads((desk / "proof" / "proof.json").read_text())
    lacking = [file["path"] for file in told["files"] if "sha256" not in file["digests"]]
    assert [Path(path).name for path in lacking] == ["C0002.MP4"]
    assert ingest("audit", shot[1], "--checksum", "sha256").code == 0
    ingest("proof", "--out", desk / "again")
    told = json.loads((desk / "again" / "proof.json").read_text())
    assert all("sha256" in file["digests"] for file in told["files"])


def test_a_kind_that_was_added_is_compared_from_then_on_when_asked_for(
    ingest: Runner, shot: tuple[Path, Path]
) -> None:
    """Each drive against the other's, in the kind that shows tampering."""
    assert ingest("audit", shot[0], "--checksum", "c4").code == 0
    assert ingest("audit", shot[1], "--checksum", "c4").code == 0
    flip_bit(next(shot[1].rglob("C0002.MP4")))
    ran = ingest("audit", shot[1], "--checksum", "c4", "--again", "--json")
    assert ran.code == 3
    assert [problem["state"] for problem in ran.document["problems"]] == ["mismatch"]


@pytest.mark.parametrize("more", [["--quick"], ["--no-record"], ["--by", "lists"]])
def test_adding_needs_a_read_and_a_catalog(
    ingest: Runner, shot: tuple[Path, Path], more: list[str]
) -> None:
    """Refused with the remedy, before anything is read."""
    ran = ingest("audit", shot[0], "--checksum", "c4", *more)
    assert ran.code == 2 and "Do: leave out" in ran.err
