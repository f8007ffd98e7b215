"""Which clips a person must view before their card may go: those that could not be decoded."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction

import pytest

from ingest.catalog.records import Clip, ClipFile, ClipLook, ClipRole, Observer, Roll
from ingest.jobs.reuse.policy import production_date
from ingest.jobs.reuse.viewing import is_decoded
from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.health import Depth, Health

NOW = datetime(2026, 3, 14, 23, 30, tzinfo=UTC)
ROLL = Roll(1, "Quay", "A001", 1, "2026-03-14", "A", "A001")
FILES = (ClipFile("C0001.MOV", ClipRole.SPAN),)


def clip(facts: ClipFacts, poster: str | None) -> Clip:
    return Clip(1, ROLL, "C0001", FILES, facts, poster)


@pytest.mark.parametrize(
    ("facts", "poster", "decoded"),
    [
        (ClipFacts(kind=ClipKind.PICTURE), "p.jpg", True),
        (ClipFacts(kind=ClipKind.PICTURE), None, False),
        (ClipFacts(kind=ClipKind.STILL), None, False),
        (ClipFacts(kind=ClipKind.SOUND, duration_seconds=Fraction(3)), None, True),
        (ClipFacts(kind=ClipKind.SOUND), None, False),
        (ClipFacts(kind=ClipKind.OTHER), None, False),
    ],
)
def test_while_nobody_has_looked_a_picture_or_a_length_shows_it(
    facts: ClipFacts, poster: str | None, decoded: bool
) -> None:
    """What nothing could be read of must be viewed."""
    assert is_decoded(clip(facts, poster)) is decoded


def test_raw_counts_only_when_it_was_decoded() -> None:
    """The picture that was drawn of it may be a thumbnail that the camera made."""
    raw = replace(
        clip(ClipFacts(kind=ClipKind.STILL), "p.jpg"),
        files=(ClipFile("P1000001.DNG", ClipRole.SPAN),),
    )
    assert not is_decoded(raw)
    look = ClipLook(1, 1, Health(Depth.SAMPLED), "HERON", NOW, "a0", Observer("ines", "cart", "b"))
    assert is_decoded(replace(raw, looks=(look,)))


def test_the_productions_calendar_decides_the_date() -> None:
    """Half past eleven at night in UTC is the next day in Tokyo."""
    assert production_date(NOW, "UTC").isoformat() == "2026-03-14"
    assert production_date(NOW, "Asia/Tokyo").isoformat() == "2026-03-15"
