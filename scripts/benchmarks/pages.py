"""A report of 5,000 clips: how soon its page is open in a browser, and how large it is.

The facts are made up and no drive is read: what is measured is the report itself, written by the
program's own function, and a headless Chromium that opens it from disk.
"""

from __future__ import annotations

import os
import random
import shutil
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import av
from browser import opened_browser

from benchmarks.values import MB, BenchError, Row
from ingest.evidence import Against, Route, State
from ingest.jobs.report import write_report
from ingest.report.facts import (
    ClipLine,
    CopyLine,
    DriveLine,
    FileLine,
    IntakeFacts,
    OffloadLine,
    RollLine,
    SceneLine,
    Sum,
    TakeLine,
    Totals,
)

__all__ = ["opened_report"]

_CLIPS = 5000
_ROLLS = 40
_SCENES = 120
_NOW = datetime(2026, 3, 14, 23, 10, tzinfo=UTC)
_RATE = Fraction(24000, 1001)
_TIMES = 3


def opened_report(scale: float) -> list[Row]:
    """The page of 5,000 clips with posters, opened three times; the best counts."""
    program = shutil.which("chromium")
    if program is None:
        raise BenchError("there is no chromium (Debian's package chromium)")
    clips = max(_ROLLS, int(_CLIPS * scale))
    with tempfile.TemporaryDirectory(prefix="ingest-bench-") as folder:
        facts = _facts(clips, _posters(Path(folder)))
        begun = time.monotonic()
        report = write_report(facts, os.path.join(folder, "report"))
        written = time.monotonic() - begun
        sizes = {Path(path).suffix: os.stat(path).st_size for path in report.written}
        page = Path(report.written[0])
        seconds = min(_open(program, page, clips) for _ in range(_TIMES))
    details: dict[str, float | str] = {
        "clips": clips,
        "seconds to write all forms": round(written, 2),
        "megabytes of the PDF": round(sizes[".pdf"] / MB, 1),
    }
    return [
        Row(
            case="report",
            what=f"a page of {clips:,} clips opened, seconds, best of {_TIMES}",
            ratio=seconds,
            goal=2.0,
            sense="at most",
            seconds=seconds,
            floor_seconds=1.0,
            floor="one second",
            details=details,
        ),
        Row(
            case="report",
            what="the same page / 40 MB",
            ratio=sizes[".html"] / (40 * MB),
            goal=1.0,
            sense="at most",
            seconds=written,
            floor_seconds=1.0,
            floor="40 MB",
            details={"megabytes": round(sizes[".html"] / MB, 1)},
        ),
    ]


def _open(program: str, page: Path, clips: int) -> float:
    """Seconds by the page's own clock, from its address being asked for until it is loaded, laid
    out and drawn."""
    with (
        tempfile.TemporaryDirectory(prefix="ingest-bench-") as profile,
        opened_browser(program, Path(profile)) as browser,
    ):
        opened = browser.open(page, watched=False)
        seconds = opened.run(
            "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame("
            "() => done(performance.now() / 1000))))"
        )
        ready = opened.run("!document.getElementById('controls').hidden")
        if not ready or opened.run("document.querySelectorAll('tr.clip').length") != clips:
            raise BenchError("the page is not whole")
    return float(seconds)


def _posters(folder: Path) -> Sequence[Path]:
    """Forty different pictures of the size that posters have, as JPEG."""
    draw = random.Random(1)
    places = []
    for number in range(40):
        encoder = av.CodecContext.create("mjpeg", "w")
        assert isinstance(encoder, av.VideoCodecContext)
        encoder.width, encoder.height, encoder.pix_fmt = 480, 270, "yuvj420p"
        encoder.time_base = Fraction(1, 25)
        frame = av.VideoFrame(480, 270, "yuvj420p")
        for plane in frame.planes:
            # Blocks of a few greys with some grain: about as hard to encode as a real frame.
            row = bytes(draw.randrange(40, 200) for _ in range(plane.line_size // 8 + 1))
            lines = []
            for line in range(plane.height):
                if line % 16 == 0:
                    row = bytes(draw.randrange(40, 200) for _ in range(len(row)))
                grain = draw.randbytes(plane.line_size)
                lines.append(bytes(row[x // 8] + grain[x] % 12 for x in range(plane.line_size)))
            plane.update(b"".join(lines)[: plane.buffer_size])
        frame.pts = 0
        place = folder / f"{number}.jpg"
        place.write_bytes(b"".join(bytes(packet) for packet in encoder.encode(frame)))
        places.append(place)
    return places


def _facts(count: int, posters: Sequence[Path]) -> IntakeFacts:
    names = [f"A{number + 1:03}" for number in range(_ROLLS)]
    clips = [_clip(number, names[number * _ROLLS // count], posters) for number in range(count)]
    files = tuple(file for clip in clips for file in clip.files)
    total = sum(file.size for file in files)
    copies = sum(len(file.copies) for file in files)
    drives = tuple(
        DriveLine(
            name, f"sd{name[0].lower()} ({name}, 1)", name, "ext4", f"/media/{name}", True,
            len(files), len(files), 0, 0, 0, 0, total, _NOW, _NOW, Fraction(190 * MB), "190 MB/s",
        )
        for name in ("ALBATROSS", "BITTERN")
    )  # fmt: skip
    rolls = tuple(
        RollLine(
            name, 1 + number // 8, "2026-03-14", name[0], name, count // _ROLLS,
            total // _ROLLS, count // _ROLLS, count // _ROLLS, 1,
        )
        for number, name in enumerate(names)
    )  # fmt: skip
    offloads = tuple(
        OffloadLine(
            roll.name, roll.card, "odd", "cart", _NOW, _NOW, "matched", 1, roll.files, 0,
            roll.bytes, 600.0, 0, 0,
        )
        for roll in rolls
    )  # fmt: skip
    return IntakeFacts(
        production="Kestrel_Quay",
        scope="Kestrel_Quay",
        as_of=_NOW,
        wanted=2,
        verdict=f"{len(files):,} files, on 2 drives: every copy was read back past the cache and "
        "matched (as of 2026-03-14 23:10 UTC).",
        remarks=("The evidence dates from 2026-03-14 23:10 UTC.",),
        problems=(),
        totals=Totals(len(files), total, copies, copies, len(files), count, 2, 2),
        drives=drives,
        rolls=rolls,
        clips=tuple(clips),
        files=files,
        cameras=(Sum("A", count, len(files), total, Fraction(60 * count), total),),
        days=(Sum("Day 1", count, len(files), total, Fraction(60 * count), total),),
        offloads=offloads,
        scenes=tuple(
            SceneLine(f"{number + 1}", 6, 2, count // _SCENES, ("A", "B"), True, Fraction(600))
            for number in range(_SCENES)
        ),
        cautions=("Format a card in the camera it goes into, never in the computer.",),
    )


def _clip(number: int, roll: str, posters: Sequence[Path]) -> ClipLine:
    name = f"{roll}C{number % 999 + 1:03}_260314_K7QD"
    files = tuple(
        FileLine(
            roll,
            f"CLIP/{name}.{kind}",
            size,
            {"xxh128": f"{number:032x}", "md5": f"{number + 7:032x}"},
            tuple(
                CopyLine(
                    drive, f"Kestrel_Quay/{roll}/CLIP/{name}.{kind}", State.MATCHED, Route.MEDIUM,
                    Against.CARD, _NOW, "", drive,
                )
                for drive in ("ALBATROSS", "BITTERN")
            ),
        )
        for kind, size in (("mov", 2_000_000_000 + number), ("xml", 4000))
    )  # fmt: skip
    start = 8 * 3600 + number * 7 % 43200
    clock = f"{start // 3600:02}:{start // 60 % 60:02}:{start % 60:02}:00"
    take = TakeLine(
        str(number % _SCENES + 1), str(number // _SCENES + 1), "7",
        ("circled", "keep", None)[number % 3], "sure", "clip name", "good to the turn, then soft",
    )  # fmt: skip
    return ClipLine(
        name=f"{roll}/{number:05}_{name}",
        roll=roll,
        day=1 + number // (_CLIPS // 5),
        camera="AB"[number % 2],
        kind="picture",
        display=f"{take.scene}-{take.take}-{'AB'[number % 2]}",
        takes=(take,),
        start_timecode=clock,
        end_timecode=clock,
        duration_seconds=Fraction(30 + number % 90),
        frame_rate=_RATE,
        width=3840,
        height=2160,
        codec="ProRes 422 HQ",
        container="QuickTime",
        health="healthy",
        files=files,
        poster=posters[number % len(posters)],
    )
