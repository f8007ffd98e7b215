"""What the catalog keeps and gives back, through its one door."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest import names
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    CardNote,
    CardSeen,
    ClipFile,
    ClipRole,
    Drive,
    DriveSeen,
    Mark,
    NewClip,
    NewClipLook,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    Offload,
    OffloadDrive,
    OffloadEnd,
    PlannedShot,
    Rating,
    SlateRow,
    Sure,
    TakeLink,
)
from ingest.errors import Ambiguous, NotKnown
from ingest.evidence import Act, Against, Route, State
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind
from ingest.media.health import Depth, Finding, Health, Severity

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
INES = Observer("ines", "cart-1", "5b1c")
SHUTTLE = DriveSeen("m-1", "SHUTTLE", "1111-2222", "SN1", "sdb (Block 4, SN1)", "ext4", "/d/one")
VAULT = DriveSeen("m-2", "VAULT", "3333-4444", "SN2", "sdc (Block 4, SN2)", "xfs", "/d/two")


class Ticking:
    """A clock that goes on by a second at each look."""

    def __init__(self) -> None:
        self.now = NOON

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture
def catalog(tmp_path: Path) -> Iterator[Catalog]:
    with Catalog.open(str(tmp_path / "catalog.sqlite3"), clock=Ticking()) as opened:
        yield opened


def starting(roll: str = "A001", *, production: str = "Salt Road", day: int = 1) -> NewOffload:
    card = CardSeen("CARD 7", "0AF1-77", "C-99", "sdd (reader)", "/media/card")
    return NewOffload(
        run="c0ffee",
        production=production,
        roll=roll,
        day=day,
        date=f"2026-03-{13 + day}",
        camera="A",
        card=card,
        observer=INES,
        started=NOON,
        plan={"checksums": ["xxh128", "md5"], "layout": None},
    )


def a_file(path: str = "CLIP/C0001.MP4", *, content: str = "11") -> NewFile:
    return NewFile(path, 1000, 5, f"s{content}", {"xxh128": f"x{content}", "md5": f"m{content}"})


def a_look(drive: Drive, path: str = "CLIP/C0001.MP4", *, file_id: int = 0) -> NewLook:
    return NewLook(
        file_id=file_id,
        drive_id=drive.id,
        path=f"Salt Road/{path}",
        act=Act.READ_BACK,
        state=State.MATCHED,
        route=Route.MEDIUM,
        against=Against.CARD,
        size=1000,
        kind="xxh128",
        digest="x11",
        mount="41",
        at=NOON,
    )


def with_one_copy(catalog: Catalog) -> tuple[Offload, Drive, int]:
    """An offload of one file to one drive, and the file's id."""
    offload = catalog.begin_offload(starting())
    drive = catalog.see_drive(SHUTTLE)
    ids = catalog.record_copied(offload, [a_file()], [("CLIP/C0001.MP4", a_look(drive))])
    return offload, drive, ids["CLIP/C0001.MP4"]


# Offloads and rolls ---------------------------------------------------------------------------


def test_when_an_offload_begins_then_its_roll_and_card_are_known(catalog: Catalog) -> None:
    """The roll is made, and everything asked for comes back equal."""
    offload = catalog.begin_offload(starting())
    assert catalog.productions() == ("Salt Road",)
    assert catalog.rolls() == (offload.roll,)
    assert (offload.roll.name, offload.roll.day, offload.roll.card) == ("A001", 1, "CARD 7")
    assert catalog.offloads([offload.roll]) == (offload,)
    assert offload.end is None
    assert offload.card == starting().card
    assert catalog.roll_by_id(offload.roll.id) == offload.roll


def test_when_a_roll_is_continued_then_it_stays_the_same_roll(catalog: Catalog) -> None:
    """Case apart, one name is one roll; it keeps its own day."""
    first = catalog.begin_offload(starting("A001", day=1))
    second = catalog.begin_offload(starting("a001", day=2))
    assert second.roll == first.roll
    assert second.id != first.id


def test_when_two_productions_use_one_roll_name_then_they_are_two_rolls(catalog: Catalog) -> None:
    """Rolls belong to their production, and come in order of production, day and name."""
    for production, roll, day in (("Tern", "A001", 1), ("Salt Road", "B001", 1)):
        catalog.begin_offload(starting(roll, production=production, day=day))
    catalog.begin_offload(starting("A002", day=2))
    catalog.begin_offload(starting("A001", day=1))
    told = [(roll.production, roll.name) for roll in catalog.rolls()]
    assert told == [
        ("Salt Road", "A001"),
        ("Salt Road", "B001"),
        ("Salt Road", "A002"),
        ("Tern", "A001"),
    ]
    assert [roll.production for roll in catalog.rolls(name="a001")] == ["Salt Road", "Tern"]
    assert [roll.name for roll in catalog.rolls(production="Salt Road", day=2)] == ["A002"]
    assert catalog.rolls(production="salt road") == ()


def test_when_a_roll_id_is_unknown_then_it_is_said(catalog: Catalog) -> None:
    """No roll is made up."""
    with pytest.raises(NotKnown):
        catalog.roll_by_id(99)


def test_when_an_offload_ends_then_its_end_comes_back_whole(catalog: Catalog) -> None:
    """Drives in their order, and card notes with their exact paths."""
    offload = catalog.begin_offload(starting())
    other = catalog.begin_offload(starting("A002"))
    one, two = catalog.see_drive(SHUTTLE), catalog.see_drive(VAULT)
    end = OffloadEnd(
        finished=NOON + timedelta(minutes=4),
        verdict="problem",
        card_read=1,
        seconds=240.5,
        bytes=1 << 41,
        files=3,
        known=1,
        left_out=2,
        drives=(
            OffloadDrive(
                two.id,
                "Salt Road/D01/A001",
                2,
                1 << 41,
                200.0,
                Route.MEDIUM,
                pace=((0.5, 1 << 33), (100.25, 1 << 40)),
            ),
            OffloadDrive(
                one.id, "Salt Road/D01/A001", 0, 0, 3.0, Route.CACHE_POSSIBLE, "drive gone"
            ),
        ),
    )
    notes = (CardNote("link", "a\nb", "to /etc"), CardNote("litter", "\udcff.db"))
    catalog.note_card(offload, notes)
    catalog.note_card(offload, [])
    catalog.end_offload(offload, end)
    assert catalog.offloads([offload.roll]) == (replace(offload, end=end),)
    assert catalog.card_notes([offload.id, other.id]) == {offload.id: notes, other.id: ()}


# Drives ---------------------------------------------------------------------------------------


def test_when_a_drive_is_seen_again_then_it_is_refreshed(catalog: Catalog) -> None:
    """One marker, one drive: name and root follow, what is unknown now is not forgotten."""
    first = catalog.see_drive(SHUTTLE)
    again = catalog.see_drive(replace(SHUTTLE, name="SHUTTLE B", root="/mnt/x", serial=None))
    assert catalog.drives() == (again,)
    assert again == replace(
        first, name="SHUTTLE B", root="/mnt/x", last_seen=first.last_seen + timedelta(seconds=1)
    )


@pytest.mark.parametrize("change", [{"fs_uuid": "9999-0000"}, {"serial": "SN9"}])
def test_when_a_marker_stands_on_another_drive_then_that_drive_is_unproven(
    catalog: Catalog, change: dict[str, str]
) -> None:
    """A copied marker, or a drive formatted anew, takes no evidence over."""
    _, first, _ = with_one_copy(catalog)
    other = catalog.see_drive(replace(SHUTTLE, **change))
    assert other.id != first.id
    assert catalog.copies(drive_id=other.id) == ()
    assert len(catalog.copies(drive_id=first.id)) == 1
    assert catalog.drive(marker="m-1") == other
    assert catalog.see_drive(SHUTTLE).id == first.id


def test_when_a_drive_is_asked_by_name_then_case_does_not_matter(catalog: Catalog) -> None:
    """By marker or by name; none is None; two bearers are named."""
    one = catalog.see_drive(SHUTTLE)
    assert catalog.drive(name="shuttle") == one
    assert catalog.drive(marker="m-1") == one
    assert catalog.drive(name="elsewhere") is None
    two = catalog.see_drive(replace(VAULT, name="Shuttle"))
    assert catalog.drive(name="Shuttle") == two
    with pytest.raises(Ambiguous, match=r"m-1.*m-2"):
        catalog.drive(name="sHUTTLE")


# Files, copies and evidence -------------------------------------------------------------------


def test_when_files_are_copied_then_files_copies_and_evidence_come_back(catalog: Catalog) -> None:
    """What was recorded is what is read, observer and run included."""
    offload = catalog.begin_offload(starting())
    drive = catalog.see_drive(SHUTTLE)
    written = replace(
        a_look(drive), act=Act.WRITTEN, state=State.UNVERIFIED, route=None, kind=None, digest=None
    )
    ids = catalog.record_copied(
        offload,
        [a_file(), a_file("CLIP/C0002.MP4", content="22")],
        [("CLIP/C0001.MP4", written), ("CLIP/C0001.MP4", a_look(drive))],
    )
    files = catalog.files([offload.roll])
    assert {file.path: file.id for file in files} == ids
    assert files[0].digests == {"xxh128": "x11", "md5": "m11"}
    assert (files[0].roll_id, files[0].offload_id) == (offload.roll.id, offload.id)
    (copy,) = catalog.copies(rolls=[offload.roll])
    assert (copy.file_id, copy.drive_id) == (ids["CLIP/C0001.MP4"], drive.id)
    assert copy.path == "Salt Road/CLIP/C0001.MP4"
    first, second = catalog.looks([copy.id])[copy.id]
    assert (first.act, first.state, first.route) == (Act.WRITTEN, State.UNVERIFIED, None)
    assert (second.act, second.route, second.against) == (
        Act.READ_BACK,
        Route.MEDIUM,
        Against.CARD,
    )
    assert second.id > first.id
    assert (second.run, second.observer, second.at, second.mount) == ("c0ffee", INES, NOON, "41")


def test_when_a_file_comes_again_then_it_is_not_doubled(catalog: Catalog) -> None:
    """Same path, size, samples and digests: same id, and the copy is the same copy."""
    offload, drive, known = with_one_copy(catalog)
    again = catalog.begin_offload(replace(starting(), run="beef"))
    ids = catalog.record_copied(again, [a_file()], [("CLIP/C0001.MP4", a_look(drive))])
    assert ids == {"CLIP/C0001.MP4": known}
    (copy,) = catalog.copies()
    assert [look.run for look in catalog.looks([copy.id])[copy.id]] == ["c0ffee", "beef"]
    assert catalog.files([offload.roll])[0].offload_id == offload.id


@pytest.mark.parametrize(
    "change",
    [
        {"size": 1001},
        {"samples": "other"},
        {"digests": {"xxh128": "x11", "md5": "other"}},
        {"digests": {"sha1": "s"}},
    ],
)
def test_when_a_name_comes_again_with_other_content_then_it_is_another_file(
    catalog: Catalog, change: dict[str, object]
) -> None:
    """Name and size never make a file the same, nor do digests with no kind in common."""
    offload, _, known = with_one_copy(catalog)
    other = replace(a_file(), **change)  # type: ignore[arg-type]
    ids = catalog.record_copied(offload, [other], [])
    assert ids["CLIP/C0001.MP4"] != known
    assert len(catalog.files([offload.roll])) == 2


def test_when_a_known_file_brings_a_new_checksum_kind_then_it_is_kept(catalog: Catalog) -> None:
    """A kind in common agrees, so that the new one is of the same file."""
    offload, _, known = with_one_copy(catalog)
    more = replace(a_file(), digests={"md5": "m11", "sha1": "h11"})
    assert catalog.record_copied(offload, [more], [])["CLIP/C0001.MP4"] == known
    (file,) = catalog.files([offload.roll])
    assert file.digests == {"xxh128": "x11", "md5": "m11", "sha1": "h11"}


def test_when_a_look_is_at_an_unknown_path_then_nothing_of_it_is_kept(catalog: Catalog) -> None:
    """One transaction: the files of the same call are gone too."""
    offload = catalog.begin_offload(starting())
    drive = catalog.see_drive(SHUTTLE)
    with pytest.raises(ValueError, match="not among the files"):
        catalog.record_copied(offload, [a_file()], [("elsewhere", a_look(drive))])
    assert catalog.files([offload.roll]) == ()


def test_when_one_path_names_two_contents_then_it_is_refused(catalog: Catalog) -> None:
    """The answer, path to id, could not be true."""
    offload = catalog.begin_offload(starting())
    with pytest.raises(ValueError, match="two different files"):
        catalog.record_copied(offload, [a_file(), a_file(content="22")], [])


def test_when_known_files_are_sought_then_path_and_size_make_candidates(catalog: Catalog) -> None:
    """Every roll's file of that path and size comes, and nothing else."""
    for number, roll in enumerate(("A001", "B001")):
        offload = catalog.begin_offload(starting(roll))
        catalog.record_copied(offload, [a_file(content=str(number)), a_file("x")], [])
    found = catalog.files_like(
        [("CLIP/C0001.MP4", 1000), ("CLIP/C0001.MP4", 999), ("CLIP/C0009.MP4", 1000)]
    )
    assert list(found) == [("CLIP/C0001.MP4", 1000)]
    assert [file.samples for file in found["CLIP/C0001.MP4", 1000]] == ["s0", "s1"]


def test_when_evidence_is_recorded_then_it_is_in_order_of_recording(catalog: Catalog) -> None:
    """`at` is for people: evidence dated earlier but seen later stays later."""
    offload, drive, file_id = with_one_copy(catalog)
    bad = replace(
        a_look(drive, file_id=file_id),
        act=Act.AUDITED,
        state=State.UNREADABLE,
        size=None,
        at=NOON - timedelta(days=400),
        detail="read error",
    )
    omar = Observer("omar", "desk", "77aa")
    catalog.record_looks("a0d1", omar, [bad])
    (copy,) = catalog.copies(drive_id=drive.id)
    looks = catalog.looks([copy.id])[copy.id]
    assert [look.state for look in looks] == [State.MATCHED, State.UNREADABLE]
    assert (looks[1].observer, looks[1].run, looks[1].size) == (omar, "a0d1", None)
    assert catalog.copies(rolls=[offload.roll]) == (copy,)
    assert catalog.copies(rolls=[]) == ()


def test_when_a_copy_is_found_elsewhere_then_it_is_another_copy(catalog: Catalog) -> None:
    """A place is a drive and a path; a first look makes it."""
    _, drive, file_id = with_one_copy(catalog)
    moved = replace(a_look(drive, file_id=file_id), path="Elsewhere/C0001.MP4")
    catalog.record_looks("a0d1", INES, [moved, moved])
    assert [copy.path for copy in catalog.copies()] == [
        "Salt Road/CLIP/C0001.MP4",
        "Elsewhere/C0001.MP4",
    ]


def test_when_many_copies_are_asked_for_then_the_number_does_not_matter(catalog: Catalog) -> None:
    """More ids than any SQLite takes parameters (32766, some builds 250000)."""
    with_one_copy(catalog)
    (copy,) = catalog.copies()
    found = catalog.looks(range(260_000))
    assert len(found) == 260_000
    assert {copy_id for copy_id, looks in found.items() if looks} == {copy.id}


def test_when_a_time_has_no_zone_then_it_is_refused(catalog: Catalog) -> None:
    """A naive time could be any time; nothing of the call is kept."""
    _, drive, file_id = with_one_copy(catalog)
    naive = replace(a_look(drive, file_id=file_id), at=datetime(2026, 3, 14))
    with pytest.raises(Exception, match="zone"):
        catalog.record_looks("a0d1", INES, [naive])
    (copy,) = catalog.copies()
    assert len(catalog.looks([copy.id])[copy.id]) == 1


def test_when_a_time_is_in_another_zone_then_it_is_the_same_moment(catalog: Catalog) -> None:
    """Stored in UTC, to the microsecond."""
    _, drive, file_id = with_one_copy(catalog)
    east = datetime(2026, 3, 14, 1, 2, 3, 4, tzinfo=timezone(timedelta(hours=5, minutes=45)))
    catalog.record_looks("a0d1", INES, [replace(a_look(drive, file_id=file_id), at=east)])
    (copy,) = catalog.copies()
    at = catalog.looks([copy.id])[copy.id][-1].at
    assert at == east
    assert at.utcoffset() == timedelta(0)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE look SET state = 'matched'",
        "DELETE FROM look",
        "INSERT OR REPLACE INTO look SELECT * FROM look",
    ],
)
def test_when_somebody_changes_evidence_then_the_database_refuses(
    catalog: Catalog, statement: str
) -> None:
    """By any program, not just this one."""
    with_one_copy(catalog)
    (copy,) = catalog.copies()
    before = catalog.looks([copy.id])
    other = sqlite3.connect(catalog.place)
    with pytest.raises(sqlite3.IntegrityError, match="evidence is never"):
        other.execute(statement)
    other.close()
    assert catalog.looks([copy.id]) == before


def test_when_a_file_is_dated_past_64_bits_then_its_time_is_kept(catalog: Catalog) -> None:
    """A camera's broken clock must not stop an offload."""
    offload = catalog.begin_offload(starting())
    times = {f"f{each}": each for each in (0, -(10**12), 15 * 10**18, 10**25)}
    catalog.record_copied(
        offload, [replace(a_file(path), mtime_ns=at) for path, at in times.items()], []
    )
    assert {file.path: file.mtime_ns for file in catalog.files([offload.roll])} == times


def test_when_ctrl_c_comes_in_the_middle_then_nothing_is_half_written(catalog: Catalog) -> None:
    """The files written before it are taken back, and the catalog goes on working."""
    offload = catalog.begin_offload(starting())
    drive = catalog.see_drive(SHUTTLE)

    class Interrupted(list[tuple[str, NewLook]]):
        def __iter__(self) -> Iterator[tuple[str, NewLook]]:
            yield self[0]
            raise KeyboardInterrupt

    looks = Interrupted([("a", a_look(drive))])
    with pytest.raises(KeyboardInterrupt):
        catalog.record_copied(offload, [a_file("a")], looks)
    assert catalog.files([offload.roll]) == ()
    assert set(catalog.record_copied(offload, [a_file("a")], [])) == {"a"}


def test_when_the_second_half_fails_then_the_first_is_taken_back(catalog: Catalog) -> None:
    """A look at a drive that the catalog doesn't know fails after the files were inserted."""
    offload, drive, _ = with_one_copy(catalog)
    unknown = replace(a_look(drive, "b"), drive_id=999)
    with pytest.raises(Exception, match="FOREIGN KEY"):
        catalog.record_copied(offload, [a_file("b", content="33")], [("b", unknown)])
    assert [file.path for file in catalog.files([offload.roll])] == ["CLIP/C0001.MP4"]


# Hostile names --------------------------------------------------------------------------------

any_text = st.text(st.characters(codec=None), max_size=12) | st.sampled_from(
    ["", "\0", "\\0", "\\udcff", "\udcff", "\ud83d\ude00", "-rf", "=1+1", "<b>", "\x1b[2J", "a\nb"]
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(raws=st.lists(st.binary(min_size=1, max_size=40), min_size=1, max_size=5, unique=True))
def test_when_names_are_any_bytes_then_they_come_back_exactly(
    catalog: Catalog, raws: list[bytes]
) -> None:
    """Files, copies and candidates, whatever stands on the medium."""
    paths = [names.from_bytes(raw) for raw in raws]
    offload = catalog.begin_offload(starting("H001"))
    drive = catalog.see_drive(SHUTTLE)
    looks = [(path, replace(a_look(drive), path=path)) for path in paths]
    ids = catalog.record_copied(offload, [a_file(path) for path in paths], looks)
    by_id = {file.id: names.to_bytes(file.path) for file in catalog.files([offload.roll])}
    assert [by_id[ids[path]] for path in paths] == raws
    places = {(copy.file_id, copy.path) for copy in catalog.copies(drive_id=drive.id)}
    assert {(ids[path], path) for path in paths} <= places
    assert set(catalog.files_like((path, 1000) for path in paths)) == {(p, 1000) for p in paths}


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(one=any_text, two=any_text)
def test_when_text_is_anything_then_it_comes_back_exactly(
    catalog: Catalog, one: str, two: str
) -> None:
    """Lone surrogates, NUL and backslashes too, in labels and in the slate."""
    start = starting(production=f"P{one}")
    start = replace(start, card=replace(start.card, label=two), camera=one)
    offload = catalog.begin_offload(start)
    assert catalog.offloads([offload.roll])[-1].card == start.card
    assert offload.roll.production == f"P{one}"
    row = SlateRow(scene=one, take=two, note=two, log=two, row=2)
    catalog.load_slate(f"P{one}", two, [row])
    assert row in catalog.slate(f"P{one}")


# Clips ----------------------------------------------------------------------------------------

FACTS = ClipFacts(
    kind=ClipKind.PICTURE,
    codec="H.264",
    width=1920,
    height=1080,
    frame_rate=Fraction(24000, 1001),
    duration_seconds=Fraction(1001, 240),
    audio=(AudioTrack(2, 48000, 24, "PCM"),),
    extra={"k\udcff": "v"},
)


def a_clip(name: str = "C0001") -> NewClip:
    files = (
        ClipFile(f"CLIP/{name}_2.MP4", ClipRole.SPAN),
        ClipFile(f"CLIP/{name}_1.MP4", ClipRole.SPAN),
        ClipFile(f"CLIP/{name}M01.XML", ClipRole.COMPANION),
    )
    return NewClip(name, files, FACTS, f"{name}.jpg")


def test_when_clips_are_recorded_then_facts_and_files_come_back(catalog: Catalog) -> None:
    """Files in their order, rates as fractions, by name within the roll."""
    roll = catalog.begin_offload(starting()).roll
    made = catalog.record_clips(roll, [a_clip("C0002"), a_clip("C0001")])
    assert [clip.name for clip in made] == ["C0002", "C0001"]
    assert catalog.clips([roll]) == (made[1], made[0])
    assert made[0].facts.frame_rate == Fraction(24000, 1001)
    assert made[0].full_name == "A001/C0002"


def test_when_clips_of_several_rolls_are_asked_then_rolls_keep_their_order(
    catalog: Catalog,
) -> None:
    """The order in which the rolls were given, not the one in which they were made."""
    first = catalog.begin_offload(starting("B001")).roll
    second = catalog.begin_offload(starting("A001")).roll
    for roll in (first, second):
        catalog.record_clips(roll, [a_clip()])
    assert [clip.full_name for clip in catalog.clips([second, first])] == [
        "A001/C0001",
        "B001/C0001",
    ]


def test_when_a_clip_is_recorded_again_then_id_and_links_stay(catalog: Catalog) -> None:
    """Refreshed, not made anew; clips not named stay as they are."""
    roll = catalog.begin_offload(starting()).roll
    one, two = catalog.record_clips(roll, [a_clip("C0001"), a_clip("C0002")])
    link = TakeLink(one.id, "12A", "3", None, Rating.CIRCLED, Sure.SURE, "clip name in the log")
    catalog.replace_links([one.id], [link])
    changed = replace(a_clip("C0001"), files=a_clip("C0001").files[:1], poster=None)
    (again,) = catalog.record_clips(roll, [changed])
    assert again.id == one.id
    assert catalog.clips([roll]) == (again, two)
    assert again.files == changed.files
    assert catalog.links([one.id, two.id]) == {one.id: (link,), two.id: ()}


def test_when_clips_are_looked_at_then_every_look_is_kept_and_none_is_changed(
    catalog: Catalog,
) -> None:
    """Dated, with who and which machine; what they come to is worked out."""
    roll = catalog.begin_offload(starting()).roll
    one, two = catalog.record_clips(roll, [a_clip("C0001"), a_clip("C0002")])
    assert one.health is None
    observer = Observer("ada", "cart", "boot1")
    at = datetime(2026, 3, 14, 12, tzinfo=UTC)
    broken = Health(findings=(Finding("no index", Severity.BROKEN, "It has no index."),))
    well = Health(Depth.SAMPLED, frames=9)
    for health in (broken, well):
        catalog.record_clip_looks("run1", observer, [NewClipLook(one.id, health, "HERON", at)])
    seen, unseen = catalog.clips([roll])
    assert [look.health for look in seen.looks] == [broken, well]
    assert {(look.run, look.observer, look.drive, look.at) for look in seen.looks} == {
        ("run1", observer, "HERON", at)
    }
    assert (seen.health, unseen) == (well, two)
    (again,) = catalog.record_clips(roll, [a_clip("C0001")])
    assert again == seen
    for statement in ("UPDATE clip_look SET drive = 'x'", "DELETE FROM clip_look"):
        other = sqlite3.connect(catalog.place)
        with pytest.raises(sqlite3.IntegrityError, match="evidence is never"):
            other.execute(statement)
        other.close()


def test_when_two_clips_of_one_roll_share_a_name_then_it_is_refused(catalog: Catalog) -> None:
    """ROLL/NAME must mean one clip."""
    roll = catalog.begin_offload(starting()).roll
    with pytest.raises(ValueError, match="one name"):
        catalog.record_clips(roll, [a_clip(), a_clip()])
    assert catalog.clips([roll]) == ()


# Slate and links ------------------------------------------------------------------------------


def test_when_a_log_is_loaded_again_then_only_its_new_rows_count(catalog: Catalog) -> None:
    """Other logs stay, and the rows that were superseded are still in the database."""
    full = SlateRow(
        scene="12A",
        take="3",
        shot="7",
        day=2,
        camera="B",
        roll="B002",
        sound_roll="S01",
        clip="C0001",
        start_timecode="10:02:00:00",
        end_timecode="10:02:30;10",
        rating=Rating.NG,
        mos=True,
        note="plane",
        extra={"Weather": "gusts"},
        log="day2.csv",
        row=2,
        date="2026-03-15",
        start_clock="10:02:11",
        end_clock="10:02:44",
        marks=(Mark.SERIES, Mark.TAIL_SLATE),
        frame_rate="25",
        lens="35",
        stop="T2.8",
        filter="ND6",
        iso="800",
        white_balance="5600",
        shutter="180",
    )
    old = SlateRow("1", "1", log="day1.csv", row=3)
    older = SlateRow("1", "2", log="day1.csv", row=2)
    catalog.load_slate("Salt Road", "day2.csv", [full], INES)
    catalog.load_slate("Salt Road", "day1.csv", [old, older])
    catalog.load_slate("Tern", "day1.csv", [replace(old, scene="99")])
    assert catalog.slate("Salt Road") == (older, old, full)
    new = replace(old, take="4")
    catalog.load_slate("Salt Road", "day1.csv", [new])
    assert catalog.slate("Salt Road") == (new, full)
    catalog.load_slate("Salt Road", "day1.csv", [])
    assert catalog.slate("Salt Road") == (full,)
    assert catalog.slate("Nowhere") == ()
    reader = sqlite3.connect(catalog.place)
    assert reader.execute("SELECT count(*) FROM slate_row").fetchone() == (5,)
    reader.close()


def test_when_a_shot_list_is_loaded_again_then_its_new_rows_count(catalog: Catalog) -> None:
    """The one loaded last stands last; what was superseded is still in the database."""
    full = PlannedShot(
        scene="12A",
        shot="7",
        setup="A",
        day=2,
        date="2026-03-15",
        size="CU",
        location="Tarn Ness",
        cameras=("A", "B"),
        note="if the light holds",
        extra={"Props": "letter"},
        list="shots.csv",
        row=2,
    )
    other = PlannedShot("13", list="more.csv", row=2)
    catalog.load_shot_list("Salt Road", "shots.csv", [PlannedShot("1", row=3)], INES)
    catalog.load_shot_list("Salt Road", "more.csv", [other], INES)
    catalog.load_shot_list("Salt Road", "shots.csv", [full], INES)
    assert catalog.shot_lists("Salt Road") == ((other,), (full,))
    assert catalog.shot_lists("Tern") == ()
    reader = sqlite3.connect(catalog.place)
    assert reader.execute("SELECT count(*) FROM shot_list_row").fetchone() == (3,)
    assert reader.execute("SELECT DISTINCT who FROM shot_list_load").fetchall() == [(INES.who,)]
    reader.close()


def a_link(clip_id: int, take: str, *, scene: str = "12A") -> TakeLink:
    return TakeLink(clip_id, scene, take, "7", None, Sure.LIKELY, "timecode", "a note")


def test_when_links_are_replaced_then_those_by_hand_win(catalog: Catalog) -> None:
    """Computed links come and go; a clip set by hand keeps what the hand said."""
    roll = catalog.begin_offload(starting()).roll
    one, two = catalog.record_clips(roll, [a_clip("C0001"), a_clip("C0002")])
    catalog.replace_links([one.id, two.id], [a_link(one.id, "1"), a_link(two.id, "1")])
    catalog.set_link(a_link(one.id, "9"), INES)
    by_hand = replace(a_link(one.id, "9"), by_hand=True)
    assert catalog.links([one.id]) == {one.id: (by_hand,)}
    catalog.replace_links(
        [one.id, two.id], [a_link(one.id, "2"), by_hand, a_link(two.id, "2"), a_link(two.id, "3")]
    )
    assert catalog.links([one.id, two.id]) == {
        one.id: (by_hand,),
        two.id: (a_link(two.id, "2"), a_link(two.id, "3")),
    }


def test_when_a_take_is_set_again_then_the_earlier_setting_is_history(catalog: Catalog) -> None:
    """Same scene and take: replaced. Another take of the same clip: both, a series."""
    roll = catalog.begin_offload(starting()).roll
    (clip,) = catalog.record_clips(roll, [a_clip()])
    catalog.set_link(a_link(clip.id, "1"), INES)
    catalog.set_link(a_link(clip.id, "2"), INES)
    circled = replace(a_link(clip.id, "1"), rating=Rating.CIRCLED)
    catalog.set_link(circled, INES)
    assert catalog.links([clip.id])[clip.id] == (
        replace(a_link(clip.id, "2"), by_hand=True),
        replace(circled, by_hand=True),
    )
    reader = sqlite3.connect(catalog.place)
    kept = reader.execute("SELECT who, take FROM take_link WHERE ended IS NOT NULL").fetchall()
    reader.close()
    assert kept == [("ines", "1")]


def test_when_links_do_not_belong_then_they_are_refused_and_nothing_changes(
    catalog: Catalog,
) -> None:
    """A link of another clip, or one by hand with nobody's name to it."""
    roll = catalog.begin_offload(starting()).roll
    one, two = catalog.record_clips(roll, [a_clip("C0001"), a_clip("C0002")])
    standing = a_link(one.id, "1")
    catalog.replace_links([one.id], [standing])
    with pytest.raises(ValueError, match="not among"):
        catalog.replace_links([one.id], [a_link(two.id, "1")])
    with pytest.raises(ValueError, match="set_link"):
        catalog.replace_links([one.id], [replace(a_link(one.id, "5"), by_hand=True)])
    assert catalog.links([one.id]) == {one.id: (standing,)}
