"""Reading slate logs: every habit of sheets, and everything that can be wrong with one."""

import os
from fractions import Fraction

import pytest

from ingest.catalog.records import Mark, Rating
from ingest.errors import BadLog
from ingest.slate.label_rates import LabelRates
from tests.helpers.paper import rows_of


@pytest.fixture
def log(tmp_path):
    """Writes a log and returns its path."""

    def write(content, name="day1.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return str(path)

    return write


def refused(path, **more):
    """The error's lines, joined."""
    with pytest.raises(BadLog) as caught:
        rows_of(path, **more)
    return " ".join(caught.value.lines())


PLAIN = "scene,take,camera,roll,clip,circled,notes\n12A,3,A,A001,C0003,x,good light\n"


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "cp1252", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_when_a_sheet_is_saved_in_any_usual_way_then_it_reads_the_same(log, mark, encoding, end):
    """Comma, semicolon or tab; with or without mark; line ends of any system."""
    cells = ['"Märzlicht, spät; naß"', "12A", "3", "A"]
    text = mark.join(["Notes", "SCENE", "Take", "Cam"]) + end + mark.join(cells) + end
    (row,) = rows_of(log(text.encode(encoding)))
    assert (row.scene, row.take, row.camera, row.note) == ("12A", "3", "A", "Märzlicht, spät; naß")


def test_when_headings_use_other_words_then_they_mean_the_same(log):
    """Synonyms, order and case are the sheet's own affair."""
    (row,) = rows_of(
        log(
            "Comment,TC Out,TC In,File Name,Reel,Cam.,Set-up,Tk,Slate,Sound Roll,Shoot Day,Print\n"
            "wind,10:02:42:00,10:02:00:00,C0003.MOV,A003,A,7,3,12A,S01,Day 2,yes\n"
        )
    )
    assert (row.scene, row.take, row.shot, row.camera) == ("12A", "3", "7", "A")
    assert (row.roll, row.clip, row.sound_roll, row.day) == ("A003", "C0003.MOV", "S01", 2)
    assert (row.start_timecode, row.end_timecode) == ("10:02:00:00", "10:02:42:00")
    assert (row.rating, row.note, row.row, row.log) == (Rating.CIRCLED, "wind", 2, "day1.csv")


def test_when_scene_and_slate_are_both_there_then_slate_is_the_shot(log):
    """Where slates are running numbers the scene has a column of its own."""
    (row,) = rows_of(log("slate,scene,take\n104,12,3\n"))
    assert (row.scene, row.shot) == ("12", "104")


def test_when_scene_and_take_stand_in_one_cell_then_both_are_read(log):
    """12A-3 in the slate's cell, with no column for takes."""
    (row,) = rows_of(log("slate,camera\n12A-3,A\n"))
    assert (row.scene, row.take) == ("12A", "3")


def test_when_a_title_stands_above_the_headings_then_rows_count_as_the_sheet_shows_them(log):
    """Row 4 is row 4 of the sheet."""
    (row,) = rows_of(log("Saltmarsh,,\n,,\nscene,take,notes\n12A,3,\n"))
    assert row.row == 4


def test_when_a_column_is_not_known_then_it_is_kept_as_written(log):
    """Props are nobody's business here, but not lost."""
    (row,) = rows_of(log("scene,take,Props (on set),Weather\n12A,3,lamp,\n"))
    assert row.extra == {"Props (on set)": "lamp"}


@pytest.mark.parametrize(
    ("heading", "cell", "rating"),
    [
        ("circled", "x", Rating.CIRCLED),
        ("Circled", "TRUE", Rating.CIRCLED),
        ("print", "P", Rating.CIRCLED),
        ("good", "1", Rating.CIRCLED),
        ("rating", "Circled", Rating.CIRCLED),
        ("rating", "keep", Rating.KEEP),
        ("rating", "n.g.", Rating.NG),
        ("NG", "x", Rating.NG),
        ("keep", "yes", Rating.KEEP),
        ("circled", "", None),
        ("circled", "no", None),
        ("good", "FALSE", None),
    ],
)
def test_when_a_take_is_rated_then_the_words_are_understood(log, heading, cell, rating):
    """NG only where NG is written: not circled is not NG."""
    (row,) = rows_of(log(f"scene,take,{heading}\n12A,3,{cell}\n"))
    assert row.rating is rating


@pytest.mark.parametrize(
    "line", ["12A,3,x,,", "12A,3,,MOS,", "12A,3,,,M.O.S. traffic", "12A,3,,,shot MOS"]
)
def test_when_a_take_has_no_sound_then_mos_is_known(log, line):
    """In its own column, as the sound roll, or in the note."""
    (row,) = rows_of(log(f"scene,take,mos,sound roll,notes\n{line}\n"))
    assert row.mos


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("10:02:00:00", "10:02:00:00"),
        ("10:02:00;00", "10:02:00;00"),
        ("9:02:00:00", "09:02:00:00"),
        ("10:02:00", "10:02:00:00"),
        ("10020000", "10:02:00:00"),
        ("10.02.00.00", "10:02:00:00"),
    ],
)
def test_when_a_timecode_is_written_loosely_then_it_is_read(log, written, read):
    """The ways people type a timecode; the semicolon keeps its meaning."""
    (row,) = rows_of(log(f"scene\ttake\ttimecode\n12A\t3\t{written}\n"))
    assert row.start_timecode == read


def test_when_a_take_runs_over_midnight_then_it_does_not_end_before_it_begins(log):
    """23:59 to 00:01 is two minutes."""
    (row,) = rows_of(log("scene,take,start,end\n12A,3,23:59:00:00,00:01:00:00\n"))
    assert row.end_timecode == "00:01:00:00"


def test_when_a_clip_holds_a_series_then_each_take_is_a_row(log):
    """Three takes of one clip, three rows."""
    rows = rows_of(log("scene,take,clip\n12A,1,C0003\n12A,2,C0003\n12A,3,C0003\n"))
    assert [(row.take, row.clip) for row in rows] == [
        ("1", "C0003"),
        ("2", "C0003"),
        ("3", "C0003"),
    ]


def test_when_a_spreadsheet_protects_zeros_then_the_text_is_taken(log):
    """="012" is how zeros survive there."""
    (row,) = rows_of(log('scene,take,clip\n12A,3,"=""0012"""\n'))
    assert row.clip == "0012"


def test_when_one_row_stands_twice_then_it_counts_once(log):
    """A doubled row says nothing new."""
    assert len(rows_of(log(PLAIN + PLAIN.splitlines()[1] + "\n"))) == 1


# What can be wrong --------------------------------------------------------------------------


def test_when_rows_are_bad_then_all_are_named_by_row_and_column_with_the_remedy(log):
    """One look is enough to mend the sheet."""
    said = refused(
        log("scene,take,circled,day\n12A,,x,1\n,2,,1\n12B,1,perhaps,1\n12C,1,,tomorrow\n12D,1,,1\n")
    )
    assert "4 bad rows, nothing was loaded" in said
    assert "Row 2, column B (take): no take" in said
    assert "row 3, column A (scene): no scene" in said
    assert "row 4, column C (circled): perhaps is no rating" in said
    assert "row 5, column D (day): tomorrow is no shoot day" in said
    assert "Do: write the take into every row" in said


def test_when_hundreds_of_rows_are_bad_then_the_first_are_shown_and_the_rest_counted(log):
    """A screen of errors helps nobody."""
    said = refused(log("scene,take\n" + "12A,\n" * 300))
    assert "300 bad rows" in said
    assert "and 296 more" in said
    assert len(said) < 600


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"  \n \n", "is empty"),
        (b"scene,take\n", "headings and no takes"),
        (b"scene,take\n,\n , \n", "headings and no takes"),
        (b"12A,3,A001\n12B,1,A001\n", "no row of headings"),
        (b"take,clip\n3,C0001\n", "no row of headings"),
        (b"scene,take\n12A,3\0\n", "NUL byte in line 2"),
        (b"PK\x03\x04rest", "damaged workbook"),
        (b"\xd0\xcf\x11\xe0rest", "not CSV"),
        (b"scene,scene,take\n12A,12B,3\n", "columns A and B are both called scene"),
        (b'scene,take,notes\n12A,3,"never closed\n12B,1,\n', "can't be read from row 2 on"),
        (b"scene,take\n=A1&B1,3\n", "=A1&B1 is a formula"),
        (b"scene,take,start\n12A,3,half past ten\n", "half past ten is no timecode"),
        (b"scene,take,start\n12A,3,10:62:00:00\n", "10:62:00:00 is no timecode"),
        (b"scene,take,start,end\n12A,3,10:02:00:00,10:01:00:00\n", "before it begins"),
        (b"scene,take,circled,ng\n12A,3,x,x\n", "circled and NG at once"),
        (b"scene,take,clip,ng\n12A,3,C1,\n12A,3,C1,x\n", "the same take as row 2, told otherwise"),
    ],
)
def test_when_the_log_is_wrong_then_one_line_says_what_and_where(log, content, words):
    """Each fault has its own words, and nothing is loaded."""
    assert words in refused(log(content))


TIMES = "scene,take,camera,start,end\n12A,1,A,10:02:00:23,\n12A,2,{},10:02:40:00,10:03:00:{}\n"
FILM = Fraction(24000, 1001)


def test_when_a_timecode_has_a_frame_beyond_the_projects_rate_then_its_cell_is_refused(log):
    """Frames count from 0 to the rate less one (SMPTE ST 12-1); 23.976 counts as 24."""
    path = log(TIMES.format("B", 30))
    assert (
        "Row 3, column E (end): 10:03:00:30 has frame 30, but 24 frames a second end at 23"
        in refused(path, rates=LabelRates(FILM))
    )
    assert len(rows_of(path)) == 2
    assert len(rows_of(log(TIMES.format("B", 23)), rates=LabelRates(FILM))) == 2


@pytest.mark.parametrize(("camera", "taken"), [("Cam D", True), ("", True), ("B", False)])
def test_when_a_camera_records_at_a_rate_of_its_own_then_its_frames_may_go_that_far(
    log, camera, taken
):
    """Of a row without a camera it may be any one's; another camera's row is held to its own."""
    rates = LabelRates(FILM, {"D": Fraction(50)})
    path = log(TIMES.format(camera, 49))
    if taken:
        assert len(rows_of(path, rates=rates)) == 2
    else:
        assert "has frame 49" in refused(path, rates=rates)


def test_when_a_cell_is_huge_then_the_row_is_named(log):
    """A quotation mark that slipped makes one cell of half a sheet."""
    assert "too many for a name" in refused(log("scene,take\n" + "1" * 5000 + ",3\n"))
    assert "can't be read from row 2" in refused(log("scene,take\n" + "1" * 200_000 + ",3\n"))


def test_when_there_are_a_thousand_empty_columns_then_they_do_no_harm(log):
    """Spreadsheets leave them behind."""
    blank = "," * 1000
    (row,) = rows_of(log(f"scene,take{blank}\n12A,3{blank}\n"))
    assert row.extra == {}


def test_when_there_are_a_thousand_columns_with_headings_then_it_is_refused(log):
    """That is no slate log."""
    headings = ",".join(f"h{i}" for i in range(1000))
    assert "1,002 columns" in refused(log(f"scene,take,{headings}\n12A,3\n"))


def test_when_a_note_is_a_formula_then_it_stays_text(log):
    """Nothing here works formulas out; the outputs make them harmless."""
    (row,) = rows_of(log('scene,take,notes\n12A,3,"=HYPERLINK(""x"")"\n'))
    assert row.note == '=HYPERLINK("x")'


def test_when_a_cell_holds_escape_codes_then_the_error_shows_them_harmless(log):
    """A terminal must not obey a log."""
    said = refused(log("scene,take,circled\n12A,3,\x1b[31mred\n"))
    assert "\x1b" not in said
    assert "\\x1b[31mred is no rating" in said


def test_when_the_path_is_no_file_then_it_is_said(tmp_path):
    """Absent, a folder, a pipe: none of them hangs."""
    assert "no file at" in refused(str(tmp_path / "none.csv"))
    assert "is a folder" in refused(str(tmp_path))
    os.mkfifo(tmp_path / "pipe")
    assert "is no file" in refused(str(tmp_path / "pipe"))


# Marks, clocks, dates, cameras ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("take", "cells", "marks"),
    [
        ("3", "FS x", (Mark.FALSE_START,)),
        ("3 FS", "", (Mark.FALSE_START,)),
        ("3, TS", "", (Mark.TAIL_SLATE,)),
        ("3", "note end board, second sticks", (Mark.TAIL_SLATE, Mark.SECOND_STICKS)),
        ("3", "note tail-slate", (Mark.TAIL_SLATE,)),
        ("3", "slated tail", (Mark.TAIL_SLATE,)),
        ("3", "slated none", (Mark.NO_SLATE,)),
        ("3", "note not slated", (Mark.NO_SLATE,)),
        ("3", "status false start", (Mark.FALSE_START,)),
        ("3", "note FS of the quay", ()),
        ("3PU", "", (Mark.PICK_UP,)),
        ("WT2", "", (Mark.WILD_TRACK,)),
        ("RT", "", (Mark.ROOM_TONE,)),
        ("PU1", "", (Mark.PICK_UP,)),
        ("3", "series yes", (Mark.SERIES,)),
    ],
)
def test_when_a_log_says_how_a_take_was_slated_then_it_is_known(log, take, cells, marks):
    """Common practice, no source: in a column, behind the number, in the note, in the name."""
    heading, _, cell = cells.partition(" ")
    (row,) = rows_of(log(f'scene,take,{heading or "x"}\n12A,"{take}","{cell}"\n'))
    assert row.marks == marks


def test_when_short_forms_stand_behind_a_take_then_the_take_is_the_number_alone(log):
    """`3 MOS TS` is take 3, mute, slated at its end."""
    (row,) = rows_of(log("scene,take\n12A,3 MOS TS\n"))
    assert (row.take, row.mos, row.marks) == ("3", True, (Mark.TAIL_SLATE,))


def test_when_a_circle_is_drawn_round_the_number_then_the_take_is_circled(log):
    """The sign for a circled 3, as in Unicode's Enclosed Alphanumerics."""
    (row,) = rows_of(log("scene,take\n12A,③\n"))
    assert (row.take, row.rating) == ("3", Rating.CIRCLED)


@pytest.mark.parametrize("written", ["1-3", "1–3", "1, 2, 3", "1+2+3", "1/2/3"])
def test_when_a_row_tells_of_several_takes_then_it_is_a_series(log, written):
    """One clip, three takes, one row of the sheet."""
    rows = rows_of(log(f'scene,take,clip\n12A,"{written}",C0003\n'))
    assert [(row.take, row.clip, row.row) for row in rows] == [
        (take, "C0003", 2) for take in ("1", "2", "3")
    ]
    assert all(Mark.SERIES in row.marks for row in rows)


@pytest.mark.parametrize("written", ["A+B", "A B", "a/b", "A, B", "Cam A & Cam B", "A and B"])
def test_when_a_row_tells_of_two_cameras_then_each_gets_its_own(log, written):
    """With its own roll and clip, in the same order."""
    rows = rows_of(log(f'scene,take,camera,roll,clip\n12A,3,"{written}","A1 B1","C3, C9"\n'))
    assert [(row.camera or "").upper() for row in rows] == ["A", "B"]
    assert [(row.roll, row.clip) for row in rows] == [("A1", "C3"), ("B1", "C9")]


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("10:42", "10:42:00"),
        ("9:02:05", "09:02:05"),
        ("10.42", "10:42:00"),
        ("10h42", "10:42:00"),
        ("1042", "10:42:00"),
        ("2:15 PM", "14:15:00"),
        ("12:05 a.m.", "00:05:00"),
        ("12:05pm", "12:05:00"),
    ],
)
def test_when_a_column_holds_times_of_day_then_they_are_the_wall_clock(log, written, read):
    """No frames: not a timecode. The heading `start` says neither."""
    (row,) = rows_of(log(f"scene;take;start\n12A;3;{written}\n"))
    assert (row.start_clock, row.start_timecode) == (read, None)


def test_when_timecode_and_clock_stand_side_by_side_then_both_are_kept(log):
    """Two axes, never mixed."""
    (row,) = rows_of(log("scene,take,TC in,Time,Time out\n12A,3,10:02:00:00,10:42,10:44\n"))
    assert (row.start_timecode, row.start_clock, row.end_clock) == (
        "10:02:00:00",
        "10:42:00",
        "10:44:00",
    )


def test_when_one_cell_of_a_column_has_frames_then_all_of_it_is_timecode(log):
    """The rest was written short."""
    rows = rows_of(log("scene,take,start\n12A,1,10:02:00\n12A,2,10:04:00:12\n"))
    assert [row.start_timecode for row in rows] == ["10:02:00:00", "10:04:00:12"]


def test_when_stop_holds_no_time_then_it_is_the_lens_s(log):
    """And the other columns of a camera report."""
    (row,) = rows_of(
        log(
            "scene,take,lens,stop,filter,ISO,WB,shutter angle,fps\n"
            "12A,3,35 mm,T2.8,ND6,800,5600,180,25\n"
        )
    )
    assert (row.lens, row.stop, row.filter, row.iso) == ("35 mm", "T2.8", "ND6", "800")
    assert (row.white_balance, row.shutter, row.frame_rate) == ("5600", "180", "25")
    assert row.end_timecode is None


def test_when_stop_stands_beside_start_then_it_is_the_end(log):
    """Of the take, by the clock."""
    (row,) = rows_of(log("scene,take,start,stop\n12A,3,10:42,10:44\n"))
    assert (row.start_clock, row.end_clock, row.stop) == ("10:42:00", "10:44:00", None)


@pytest.mark.parametrize(
    "written",
    [
        ("2026-03-14", "2026-03-15"),
        ("14.03.2026", "15.3.26"),
        ("14/03/2026", "15/03/2026"),
        ("3/14/2026", "03/15/26"),
        ("14 March 2026", "15 Mar 2026"),
        ("Mar 14, 2026", "Mar 15, 2026"),
        ("20260314", "20260315"),
    ],
)
@pytest.mark.parametrize("heading", ["date", "day"])
def test_when_days_stand_as_dates_then_they_are_shoot_days(log, written, heading):
    """In one style throughout; the day's number where it is known."""
    one, other = written
    rows = rows_of(
        log(f'scene;take;{heading}\n12A;1;"{one}"\n12A;2;"{other}"\n'),
        shoot_dates={"2026-03-14": 1},
    )
    assert [(row.day, row.date) for row in rows] == [(1, "2026-03-14"), (None, "2026-03-15")]


def test_when_a_date_could_be_two_days_then_the_shoot_days_settle_it_or_nothing_does(log):
    """3 April and 4 March are both possible until one of them is a shoot day."""
    path = log("scene,take,date\n12A,1,03/04/2026\n")
    assert rows_of(path, shoot_dates={"2026-03-04": 2})[0].day == 2
    said = refused(path)
    assert "03/04/2026 may be 2026-04-03 or 2026-03-04" in said
    assert "write all dates as 2026-03-14" in said


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (
            "scene;take;date\n1;1;2026-03-14\n1;2;14.03.2026\n1;3;3/14/2026\n",
            "dates in 3 styles (2026-03-14 in row 2, 14.03.2026 in row 3, 3/14/2026 in row 4)",
        ),
        ("scene;take;date\n1;1;soon\n", "soon is no date"),
        ("scene;take;time\n1;1;10:42\n1;2;25:10\n", "25:10 is no time of day"),
        ("scene;take;in;out\n1;1;10:42;10:40\n", "it ends at 10:40:00, before it begins"),
        ("scene;take\n12A;03-Jan\n", "03-Jan is a date that the spreadsheet made of it"),
        ("scene;take\n1.2E+04;3\n", "1.2E+04 is a number that the spreadsheet made of it"),
        ("scene;take;camera;clip\n12A;3;A+B;C0003\n", "1 for 2 cameras"),
    ],
)
def test_when_a_cell_could_mean_two_things_then_the_load_stops_in_words(log, content, words):
    """A wrong day is worse than none."""
    assert words in refused(log(content))


def test_when_a_log_has_frames_and_no_scenes_then_a_frame_is_the_scene(log):
    """A storyboard, as for a commercial."""
    (row,) = rows_of(log("frame,take\n7,2\n"))
    assert (row.scene, row.shot, row.take) == ("7", "7", "2")
