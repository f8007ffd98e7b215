"""What a person and a program are told of a drive on which files don't fit."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from ingest.copying.plan import room_for
from ingest.drives import look_at
from ingest.errors import BadDestination
from ingest.jobs.fitting import check_room

GB = 1_000_000_000
GIB = 2**30


def test_not_enough_room_is_told_in_units_that_a_person_reads(tmp_path: Path) -> None:
    """What is lacking first, then of what it is made, and what the part besides the files is for;
    exact bytes are for programs."""
    drive = replace(look_at(str(tmp_path)), free=4 * GB)
    sizes = [2 * GB + 1, 3 * GB]
    with pytest.raises(BadDestination) as told:
        check_room(drive, sizes)
    said = told.value
    assert "1 GB too little" in said.what
    assert "files take 5 GB" in said.what and "4 GB is free" in said.what
    assert re.search(r"29\.\d MB is set aside for folders, hash lists and", said.what)
    assert not re.search(r"\d{4}|\d,\d", said.what), "no exact bytes"
    needed = room_for(sizes)
    assert said.figures == {
        "files": 5 * GB + 1,
        "set_aside": needed - 5 * GB - 1,
        "needed": needed,
        "free": 4 * GB,
    }


def test_a_drive_on_which_all_fits_is_not_refused(tmp_path: Path) -> None:
    """To the byte; what half-written files give back counts as free."""
    drive = replace(look_at(str(tmp_path)), free=room_for([GB]))
    check_room(drive, [GB])
    check_room(replace(drive, free=0), [])
    with pytest.raises(BadDestination):
        check_room(replace(drive, free=drive.free - 1), [GB])
    check_room(replace(drive, free=drive.free - 1), [GB], reclaimable=1)


def test_room_counts_whole_blocks_and_something_to_spare(tmp_path: Path) -> None:
    """A thousand files of one byte take a thousand blocks; nothing to write always fits."""
    drive = look_at(str(tmp_path))
    full = replace(drive, free=0)
    check_room(full, [])
    with pytest.raises(BadDestination, match="room"):
        check_room(full, [0])
    with pytest.raises(BadDestination, match="room"):
        check_room(replace(drive, free=GIB), [GIB])
    check_room(replace(drive, free=GIB + GIB // 50), [GIB])
    with pytest.raises(BadDestination, match="room"):
        check_room(replace(drive, free=6_000_000), [1] * 1000)
    check_room(replace(drive, free=10_000_000), [1] * 1000)


def test_not_enough_room_says_how_much_is_needed(tmp_path: Path) -> None:
    """Needed and free, in bytes."""
    with pytest.raises(BadDestination) as told:
        check_room(replace(look_at(str(tmp_path)), free=1000), [5_000_000_000])
    assert 5_000_000_000 <= told.value.figures["needed"] < 5_100_000_000
    assert told.value.figures["free"] == 1000
