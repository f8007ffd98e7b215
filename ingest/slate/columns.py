"""The columns of a slate log: what their headings mean.

Headings come in any order, case and spelling; the synonyms are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from ingest.catalog.records import Mark, Rating
from ingest.slate.headings import assign, heading_key
from ingest.slate.marks import MARK_HEADINGS, SLATED_HEADINGS
from ingest.slate.table import extra_columns

__all__ = ["Columns", "settle_times", "understand"]

# Best first: when two columns mean the same, the earlier word is taken for it and the other kept
# as an extra. A heading counts without case, blanks and marks.
_MEANINGS: dict[str, tuple[str, ...]] = {
    "scene": (
        *("scene", "sceneno", "scenenumber", "scenename", "sc", "scn", "scno"),
        *("slate", "slateno", "slatenumber"),
    ),
    "take": ("take", "takeno", "takenumber", "tk", "tkno", "t", "takes"),
    "shot": (
        *("shot", "shotno", "shotnumber", "board", "boardno", "frame", "frameno", "panel"),
        *("setup", "setupno", "slate", "slateno"),
    ),
    "camera": ("camera", "cam", "cameraletter", "camletter", "cameraid", "camid", "camerano"),
    "roll": (
        *("roll", "cameraroll", "camroll", "camraroll", "rollno", "reel", "reelname", "reelno"),
        *("card", "cardno", "mag", "magazine", "cr"),
    ),
    "sound_roll": (
        *("soundroll", "sndroll", "audioroll", "soundreel", "soundcard", "soundrollno", "sr"),
    ),
    "clip": (
        *("clip", "clipname", "clipno", "clipnumber", "clipid", "file", "filename", "clipfile"),
        *("videofile", "picturefile", "fileno", "filenumber"),
    ),
    "start": (
        *("tcin", "timecodein", "starttc", "starttimecode", "tcstart", "timecodestart"),
        *("timecode", "tc", "intc"),
    ),
    "end": ("tcout", "timecodeout", "endtc", "endtimecode", "tcend", "timecodeend", "outtc"),
    # Timecode or the wall clock: the cells say which.
    "any_start": (
        *("start", "in", "starttime", "timein", "timestart", "time", "clock", "wallclock"),
        *("timeofday", "tod", "clocktime", "starttimeofday", "startclock", "timeon"),
    ),
    "any_end": (
        *("end", "out", "endtime", "timeout", "timeend", "stoptime", "endclock", "timeoff"),
        "stop",
    ),
    "mos": ("mos", "mute", "silent"),
    "note": ("notes", "note", "comments", "comment", "remarks", "remark", "description"),
    "day": ("day", "shootday", "shootingday", "dayno", "daynumber", "sd"),
    "date": ("date", "shootdate", "shootingdate"),
    "frame_rate": ("framerate", "fps", "framespersecond", "rate", "speed"),
    "lens": ("lens", "lensmm", "focallength", "focallengthmm", "focal", "mm", "glass"),
    "stop": ("tstop", "fstop", "aperture", "iris", "tstopfstop", "fnumber", "stop"),
    "filter": ("filter", "filters", "filtration", "nd"),
    "iso": ("iso", "asa", "ei", "isoasa", "exposureindex"),
    "white_balance": (
        *("whitebalance", "wb", "colourtemperature", "colortemperature", "colourtemp"),
        *("colortemp", "kelvin", "cct"),
    ),
    "shutter": ("shutter", "shutterangle", "shutterspeed"),
    "slated": SLATED_HEADINGS,
}

# Any number of these may stand in one log: one word in a cell, or a tick a column.
_RATING_WORDS = frozenset({"rating", "grade", "status", "result", "quality"})
_TICKS: dict[str, Rating] = {
    **dict.fromkeys(
        ("circled", "circle", "circledtake", "circletake", "print", "printed", "good", "select"),
        Rating.CIRCLED,
    ),
    **dict.fromkeys(("keep", "hold", "kept"), Rating.KEEP),
    **dict.fromkeys(("ng", "nogood", "bad"), Rating.NG),
}
_HAS_FRAMES = re.compile(r"\s*(?:\d{1,2}[:;.]\d\d[:;.]\d\d[:;.]\d\d|\d{8})\s*", re.ASCII)
_IS_CLOCK = re.compile(
    r"\s*(?:\d{1,2}[:.h]\d\d(?:[:.m]\d\d)?s?\s*(?:[ap]\.?m?\.?)?|\d{4}|\d{1,2}\s*[ap]\.?m\.?)\s*",
    re.ASCII | re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Columns:
    """Where in a row what stands. Numbers count from 0."""

    of: dict[str, int]
    """The fields of `SlateRow`, and date; `any_start` and `any_end` until `settle_times`."""
    ratings: tuple[int, ...]
    """Columns that hold a rating as a word."""
    ticks: tuple[tuple[int, Rating], ...]
    """Columns where a tick means this rating."""
    marks: tuple[tuple[int, Mark], ...]
    """Columns where a tick means this mark."""
    extra: tuple[tuple[int, str], ...]
    """All other columns that have a heading, with the heading as written."""
    twice: tuple[tuple[int, int], ...]
    """Pairs of columns with one and the same heading, where it is one that counts."""

    @property
    def known(self) -> int:
        """How many columns were understood."""
        return len(self.of) + len(self.ratings) + len(self.ticks) + len(self.marks)


def understand(headings: Sequence[str]) -> Columns:
    """What the headings of a log mean. Pure; never fails, unknown headings are extras.

    A log without a column for scenes, but with one for shots or frames, has its scenes there.
    """
    keys = [heading_key(heading) for heading in headings]
    assigned = assign(headings, _MEANINGS)
    of = assigned.of
    if "scene" not in of and "shot" in of:
        of["scene"] = of["shot"]
    ratings = tuple(i for i, key in enumerate(keys) if key in _RATING_WORDS)
    ticks = tuple((i, _TICKS[key]) for i, key in enumerate(keys) if key in _TICKS)
    marks = tuple((i, MARK_HEADINGS[key]) for i, key in enumerate(keys) if key in MARK_HEADINGS)
    # How it was slated is kept as written too: only some of its words are marks.
    meant = {place for name, place in of.items() if name != "slated"}
    known = {*meant, *ratings, *(i for i, _ in ticks), *(i for i, _ in marks)}
    return Columns(of, ratings, ticks, marks, extra_columns(headings, known), assigned.twice)


def settle_times(
    columns: Columns, headings: Sequence[str], rows: Iterable[Sequence[str]]
) -> Columns:
    """`any_start` and `any_end` become start and end (timecode) or start_clock and end_clock.

    A column whose cells hold frames is timecode; one with hours and minutes alone is the wall
    clock; `stop` that holds no times at all is the lens's. Pure.
    """
    of = dict(columns.of)
    rows = tuple(rows)
    left: list[int] = []
    for name in ("start", "end"):
        place = of.pop(f"any_{name}", None)
        if place is None:
            continue
        cells = [row[place] for row in rows if place < len(row) and row[place].strip()]
        framed = any(map(_HAS_FRAMES.fullmatch, cells))
        timed = any(map(_IS_CLOCK.fullmatch, cells))
        target = f"{name}_clock" if timed and not framed else name
        if heading_key(headings[place]) == "stop" and cells and not framed:
            target = "end_clock" if any(":" in cell for cell in cells) else "stop"
        if target in of:
            left.append(place)
        else:
            of[target] = place
    extra = columns.extra
    if left:
        extra = extra_columns(headings, {*range(len(headings))} - {*left, *(i for i, _ in extra)})
    return replace(columns, of=of, extra=extra)
