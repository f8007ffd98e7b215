"""A drone's place from the subtitles beside its clip (common practice, no source)."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.card.clips import group
from ingest.jobs.clip_making import files_to_read, new_clip
from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.health import Depth, Health
from ingest.media.reading.probe import probe
from ingest.media.workers import ProbeResult

HEAD = "1\n00:00:00,000 --> 00:00:00,500\n2026-03-14 13:12:23 height 41.5 m, iso 100, 1/50\n"


@pytest.mark.parametrize(
    ("line", "location"),
    [
        ("[latitude: 38.712345] [longitude: -9.123456]", "+38.712345-009.123456/"),
        ("lat=-3.5, lon=140.25, alt=12.0", "-03.500000+140.250000/"),
        ("latitude : 0.000000 longtitude : 0.000000\nLat: 1.5 Long: 2.5", "+01.500000+002.500000/"),
        ("latitude: 138.7 longitude: 9.1", None),
        ("latitude: 0.0 longitude: 0.0", None),
        ("GPS (9.1, 38.7, 41)", None),
        ("flat 1.5 along 2.5", None),
        ("", None),
    ],
)
def test_the_first_fix_is_the_location(tmp_path: Path, line: str, location: str | None) -> None:
    """ISO 6709: degrees, two digits of latitude, three of longitude, signs, a solidus."""
    path = tmp_path / "SKIM0001.SRT"
    path.write_text(HEAD + line + "\n")
    assert probe(path).location == location


@pytest.mark.parametrize(
    ("own", "location"), [(None, "+38.7-009.1/"), ("+10.0+010.0/", "+10.0+010.0/")]
)
def test_a_clip_takes_the_place_of_its_subtitles_where_it_names_none(
    own: str | None, location: str
) -> None:
    """And says which file it is from; the picture's own word stands before it."""
    clip, subtitles = "DCIM/101SKIMR/SKIM0001.MP4", "DCIM/101SKIMR/SKIM0001.SRT"
    (one,) = group([clip, subtitles]).clips
    assert files_to_read(one) == (clip, subtitles)
    told = {
        clip: ClipFacts(kind=ClipKind.PICTURE, location=own),
        subtitles: ClipFacts(kind=ClipKind.OTHER, location="+38.7-009.1/"),
    }
    results = {
        path: ProbeResult(path, facts, False, Health(Depth.NONE)) for path, facts in told.items()
    }
    made = new_clip(one, results, said="", poster=None, project_rate=None)
    assert made.facts.location == location
    source = None if own else "subtitles, SKIM0001.SRT"
    assert made.facts.extra.get("location source") == source
