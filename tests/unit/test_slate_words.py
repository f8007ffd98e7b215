"""What `ingest slate match` says of clocks, zones and timecode."""

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from ingest.cli.slate_lines import match_lines
from ingest.cli.slate_words import match_document
from ingest.jobs.slate import MatchResult
from ingest.slate.matching import match
from tests.helpers.unseen_days import KINDS, unseen_day

UTC_FILES = replace(KINDS[0], name="all cameras write UTC", stamps=("utc",) * 4)
UNJAMMED = next(kind for kind in KINDS if kind.timecode == "unjammed")


def result_of(day, zone) -> MatchResult:
    found = match(day.clips, day.rows, modified=day.modified, zone=zone)
    clips = {clip.id: clip for clip in day.clips}
    return MatchResult("Saltmarsh", clips, len(day.rows), found, (), found.clocks)


def test_when_time_zone_is_wrong_then_it_is_asked_about_and_no_clock_is_an_hour_off():
    """Vienna's cameras, and London in ingest.toml: the recorder wrote the time of day."""
    result = result_of(unseen_day(1, UTC_FILES), ZoneInfo("Europe/London"))
    lines = list(match_lines(result))
    (asked,) = (line for line in lines if "time_zone" in line)
    assert asked.startswith("Day 1: the clocks of cameras A, B, C and D are alike 1 h slow against")
    assert asked.endswith(
        "Is time_zone in ingest.toml right, and was the clock changed for summer time?"
    )
    assert not [line for line in lines if "  - camera" in line and "1 h" in line]
    (zone,) = match_document(result, Path("posters"))["zones"]
    assert (zone["day"], zone["slow_seconds"], zone["devices"]) == (1, 3600, ["A", "B", "C", "D"])


def test_when_timecode_was_never_jammed_then_its_offset_is_told():
    """Camera by camera, apart from the clocks; `give or take` says how well a clock is known."""
    result = result_of(unseen_day(1, UNJAMMED), ZoneInfo("Europe/Vienna"))
    lines = list(match_lines(result))
    at = next(at for at, line in enumerate(lines) if line.startswith("Timecode that was not"))
    told = lines[at + 1 : at + 3]
    assert [line.split(",")[0].strip(" -") for line in told] == ["camera A", "camera B"]
    jams = match_document(result, Path("posters"))["timecodes"]
    assert [(jam["device"], jam["day"]) for jam in jams] == [("A", 1), ("B", 1)]
    clocks = [line for line in lines if "give or take" in line]
    assert clocks
    assert all(
        each["within_seconds"] > 0 for each in match_document(result, Path("posters"))["clocks"]
    )
