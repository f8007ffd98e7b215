"""`ingest slate` and `ingest find` as a user types them, on a catalog filled through its door."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from fractions import Fraction

import pytest

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    CardSeen,
    ClipFile,
    ClipRole,
    NewClip,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
)
from ingest.cli.main import run
from ingest.drives import mark
from ingest.evidence import Act, Against, Route, State
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes
from tests.helpers.keyboard import Keyboard
from tests.helpers.screens import as_shown, too_long

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
INES = Observer("ines", "cart-1", "5b1c")
PICTURE = ClipFacts(
    kind=ClipKind.PICTURE,
    codec="H.264",
    width=1920,
    height=1080,
    frame_rate=Fraction(24000, 1001),
    duration_seconds=Fraction(41),
    start_timecode="10:02:00:00",
)
SOUND = ClipFacts(
    kind=ClipKind.SOUND,
    duration_seconds=Fraction(50),
    audio=(AudioTrack(channels=2, sample_rate=48000),),
    sound=SoundNotes(scene="14", take="1"),
)
LOG = (
    "scene,take,camera,roll,clip,circled,notes\n"
    "12A,1,A,A001,C0001,,wind\n"
    "12A,3,A,A001,C0002,x,\n"
    "12B,1,B,B001,C0001,,\n"
)


class Shoot:
    """A catalog with three rolls on two drives, and a way to run the command on it."""

    def __init__(self, folder, capfdbinary):
        self.folder = folder
        self.place = str(folder / "catalog.sqlite3")
        self.captured = capfdbinary
        self.roots = [folder / "EMBER", folder / "FROST"]
        for root in self.roots:
            root.mkdir()

    def offload(self, roll, camera, clips, production="Saltmarsh"):
        with Catalog.open(self.place) as catalog:
            card = CardSeen("7", None, None, "sdd", "/media/card")
            offload = catalog.begin_offload(
                NewOffload(
                    "c0ffee", production, roll, 1, "2026-03-14", camera, card, INES, NOON, {}
                )
            )
            files, looks, recorded = [], [], []
            for name, facts in clips.items():
                path = f"CLIP/{name}.MOV"
                files.append(NewFile(path, 4, 0, "s" + roll + name, {"md5": "0" * 32}))
                recorded.append(NewClip(name, (ClipFile(path, ClipRole.SPAN),), facts, None))
                for root in self.roots:
                    drive = catalog.see_drive(mark(str(root), root.name))
                    on_drive = f"{roll}/{path}"
                    target = os.path.join(root, on_drive)
                    os.makedirs(os.path.dirname(target), exist_ok=True)
                    with open(target, "wb") as file:
                        file.write(b"clip")
                    look = NewLook(
                        0,
                        drive.id,
                        on_drive,
                        Act.READ_BACK,
                        State.MATCHED,
                        Route.MEDIUM,
                        Against.CARD,
                        4,
                        "md5",
                        "0" * 32,
                        "m1",
                        NOON,
                    )
                    looks.append((path, look))
            catalog.record_copied(offload, files, looks)
            catalog.record_clips(offload.roll, recorded)

    def log(self, text, name="day1.csv"):
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return str(path)

    def __call__(self, *words):
        """Exit code, standard output and standard error of one command."""
        self.captured.readouterr()
        code = run([*words, "--catalog", self.place])
        out, err = self.captured.readouterr()
        return int(code), out.decode("utf-8", "surrogateescape"), err.decode()

    def json(self, *words):
        code, out, _ = self(*words, "--json")
        return code, json.loads(out)


@pytest.fixture
def shoot(tmp_path, capfdbinary):
    made = Shoot(tmp_path, capfdbinary)
    made.offload("A001", "A", {"C0001": PICTURE, "C0002": PICTURE})
    made.offload("B001", "B", {"C0001": PICTURE})
    made.offload("S01", None, {"T001": SOUND})
    return made


def test_when_a_log_is_loaded_then_its_clips_are_linked_and_nothing_is_open(shoot):
    """Three rows, three clips, and the recorder's own file. The log has no take 2 of 12A: what
    stands around the gap is likely at most, since a number may have slipped."""
    code, told = shoot.json("slate", "load", shoot.log(LOG))
    assert code == 0
    assert (told["rows"], told["new"], told["gone"], told["verdict"]) == (3, 3, 0, "complete")
    assert {(one["clip"], one["scene"], one["take"], one["sure"]) for one in told["links"]} == {
        ("A001/C0001", "12A", "1", "likely"),
        ("A001/C0002", "12A", "3", "likely"),
        ("B001/C0001", "12B", "1", "sure"),
        ("S01/T001", "14", "1", "sure"),
    }


def test_when_a_log_is_loaded_again_then_it_says_what_changed(shoot):
    """A corrected row with what it said before, a new one, and one that is gone."""
    shoot("slate", "load", shoot.log(LOG))
    corrected = LOG.replace("12B", "12C").replace(",wind", ",wind and gulls")
    _, told = shoot.json("slate", "load", shoot.log(corrected + "14,1,A,A001,C0009,,\n"))
    assert (told["new"], told["changed"], told["gone"]) == (1, 2, 0)
    assert [(one["row"], one["fields"]) for one in told["changes"]] == [
        (2, {"note": ["wind", "wind and gulls"]}),
        (4, {"scene": ["12B", "12C"]}),
    ]
    _, found = shoot.json("find", "--roll", "B001")
    assert found["clips"][0]["scene"] == "12C"
    _, out, _ = shoot("slate", "load", shoot.log(corrected))
    assert "3 rows loaded, 1 gone" in out
    assert "  - gone: 14 take 1 (it was row 5)\n" in out
    assert "3 rows loaded, nothing in it is new" in shoot("slate", "load", shoot.log(corrected))[1]


def test_when_a_log_is_not_unicode_then_it_is_said_what_it_was_read_as(shoot):
    """An older spreadsheet's CSV: its bytes could be other letters too. UTF-8 is not a guess."""
    path = shoot.folder / "day1.csv"
    text = LOG.replace("wind", "Märzlicht")
    path.write_bytes(text.encode("cp1252"))
    said = "It is not UTF-8 and was read as Windows-1252: look at names with accents.\n"
    assert said in shoot("slate", "load", str(path))[1]
    assert shoot.json("slate", "load", str(path))[1]["encoding_guessed"] == "Windows-1252"
    path.write_bytes(text.encode())
    assert "UTF-8" not in shoot("slate", "load", str(path))[1]
    assert shoot.json("slate", "load", str(path))[1]["encoding_guessed"] is None


def test_when_a_frame_is_beyond_the_projects_rate_then_nothing_is_loaded(shoot, monkeypatch):
    """The rate of ingest.toml counts, and so does that of the camera which the row names."""
    monkeypatch.chdir(shoot.folder)
    start = 'production = "Saltmarsh"\nframe_rate = "24000/1001"\n'
    (shoot.folder / "ingest.toml").write_text(start, encoding="utf-8")
    log = shoot.log("scene,take,camera,tc in\n12A,1,A,10:02:00:30\n12B,1,B,10:04:00:00\n")
    code, out, err = shoot("slate", "load", log)
    assert (code, out) == (2, "")
    assert "Row 2, column D (tc in): 10:02:00:30 has frame 30" in err
    toml = f"{start}[camera.A]\nframe_rate = 50\n"
    (shoot.folder / "ingest.toml").write_text(toml, encoding="utf-8")
    assert shoot("slate", "load", log)[0] != 2


SHOTS = (
    "Shot,Scene,Day,Size,Location,Cameras,Note\n"
    "1,12A,1,WS,Quay,A B,\n"
    "2,12B,1,CU,Quay,B,\n"
    "3,15,1,Insert,Lamp store,A,the lamp is lit\n"
    "4,16,2,WS,Quay,A,\n"
)


def test_when_a_planned_shot_was_not_shot_then_it_is_owed_before_the_set_is_struck(shoot):
    """Exit 3 for its day; what is planned for later is told apart."""
    shoot("slate", "load", shoot.log(LOG))
    code, told = shoot.json("slate", "owed", shoot.log(SHOTS, "shots.csv"), "--day", "1")
    assert (code, told["verdict"], told["planned"]) == (3, "open", 4)
    assert [(one["shot"], one["state"]) for one in told["missing"]] == [("3", "not shot")]
    assert [one["shot"] for one in told["owed"]] == ["3", "4"]
    assert [one["shot"] for one in told["later"]] == ["4"]
    assert [(one["state"], one["cameras_missing"]) for one in told["shots"][:2]] == [
        ("circled", ["B"]),
        ("not rated", []),
    ]
    code, out, _ = shoot("slate", "owed", "--day", "1")
    assert code == 3
    assert out.startswith("Saltmarsh: STILL OWED: 1 of 3 planned shots of day 1.\n")
    assert "  - scene 15 shot 3, day 1: not shot (Insert, A, Lamp store)\n" in out
    assert "    the lamp is lit\n" in out
    assert not too_long(as_shown(out, 80), 80)


def test_when_the_list_was_loaded_once_then_it_is_remembered(shoot):
    """Without the file: the last one loaded, as the end of the day needs it."""
    code, _, err = shoot("slate", "owed")
    assert code == 2
    assert "No shot list of Saltmarsh is known." in err
    shoot("slate", "load", shoot.log(LOG))
    shoot("slate", "owed", shoot.log(SHOTS, "shots.csv"))
    without = SHOTS.replace("3,15,1,Insert,Lamp store,A,the lamp is lit\n", "")
    code, told = shoot.json("slate", "owed", shoot.log(without, "shots.csv"))
    assert (code, told["missing"], [one["shot"] for one in told["later"]]) == (0, [], ["4"])
    assert shoot.json("slate", "owed")[1] == told
    assert "nothing is owed so far; 1 of 3 planned shots still to come" in shoot("slate", "owed")[1]


def test_when_many_rows_are_bad_then_each_is_named_on_a_line_of_its_own(shoot):
    """On standard error, the error itself last."""
    code, out, err = shoot("slate", "load", shoot.log(LOG + "14,,A,A001,C0002,,\n" * 6))
    assert (code, out) == (2, "")
    lines = err.splitlines()
    assert [line.split(":")[0] for line in lines[:6]] == [
        f"  row {number}, column B (take)" for number in range(5, 11)
    ]
    assert "6 bad rows, nothing was loaded" in err


def test_when_a_row_is_bad_then_nothing_of_the_log_is_loaded(shoot):
    """What was loaded before stays as it was."""
    shoot("slate", "load", shoot.log(LOG))
    code, out, err = shoot("slate", "load", shoot.log(LOG + "14,,A,A001,C0002,,\n"))
    assert (code, out) == (2, "")
    assert "Row 5, column B (take): no take" in err
    assert "Do: " in err
    _, told = shoot.json("slate", "match")
    assert len(told["links"]) == 4


def test_when_a_circled_take_has_no_clip_then_it_is_open_and_shown(shoot):
    """Exit 3, and the screen names the take and the row."""
    rows = "13,2,A,A009,C0001,x,\n13,3,A,A009,C0002,,\n"
    code, out, _ = shoot("slate", "load", shoot.log(LOG + rows))
    assert code == 3
    others, _, asked = out.partition("Needs a person:")
    flat = " ".join(asked.split())
    assert "13 take 2 is circled (day1.csv row 5)" in flat
    assert "has its card (A009) come in?" in flat
    assert "Other takes in the log with no clip:" in others
    assert "row 6: 13 take 3" in others
    assert "row 5" not in others, "it is told once"
    assert not too_long(as_shown(out, 80), 80)


def test_when_much_is_open_then_what_was_loaded_and_how_much_needs_a_look_stand_last(shoot):
    """A small window shows the end: 24 lines, whatever the lists above come to."""
    rows = "".join(f"{scene},1,A,A009,,x,\n" for scene in range(20, 60))
    _, out, _ = shoot("slate", "load", shoot.log(LOG + rows))
    last = out.splitlines()[-6:]
    assert last == [
        "day1.csv: 43 rows loaded, 43 new.",
        "Saltmarsh: 4 of 4 clips linked to takes.",
        "Links: 2 sure, 2 likely, 0 open, 0 by hand.",
        "To look at, above: 40 things for a person, 2 links not sure.",
        "Do: correct the log and load it again, or say it by hand:",
        "    ingest slate set ROLL/NAME --scene 12A --take 3",
    ]
    _, again, _ = shoot("slate", "match")
    assert again.splitlines()[-5:] == last[1:]


def test_when_a_take_is_set_by_hand_then_the_log_does_not_change_it(shoot):
    """Not by matching, not by loading again; rating taken from the log's row of that take."""
    shoot("slate", "load", shoot.log(LOG))
    code, out, _ = shoot("slate", "set", "B001/C0001", "--scene", "12A", "--take", "3")
    assert (code, out) == (0, "B001/C0001 holds 12A take 3, circled, set by hand.\n")
    shoot("slate", "load", shoot.log(LOG))
    _, found = shoot.json("find", "12A", "3")
    assert [clip["clip"] for clip in found["clips"]] == ["A001/C0002", "B001/C0001"]
    assert all(clip["circled"] for clip in found["clips"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("slate", "set", "C0001", "--scene", "1", "--take", "1"), "A001/C0001 and B001/C0001"),
        (("slate", "set", "X/C9", "--scene", "1", "--take", "1"), "There is no clip X/C9"),
        (("slate", "set", "S01/T001", "--scene", "", "--take", "1"), "scene is empty"),
        (
            ("slate", "set", "S01/T001", "--scene", "1", "--take", "1", "--ng", "--keep"),
            "one rating",
        ),
        (("slate", "load", "none.csv"), "There is no file at none.csv"),
        (("slate", "match", "--production", "Nobody"), "no production Nobody"),
        (("find", "--timecode", "noon"), "noon is no timecode"),
    ],
)
def test_when_the_command_line_is_wrong_then_it_ends_with_two_and_says_so(shoot, words, said):
    """One fact and what to do, nothing changed."""
    code, out, err = shoot(*words)
    assert (code, out) == (2, "")
    assert said in err


def test_when_there_are_two_productions_then_the_one_meant_must_be_said(shoot):
    """Nothing is guessed."""
    shoot.offload("A001", "A", {"C0001": PICTURE}, production="Lanterns")
    code, _, err = shoot("find")
    assert code == 2
    assert "Lanterns and Saltmarsh" in err
    assert "--production" in err
    assert len(shoot.json("find", "--production", "lanterns")[1]["clips"]) == 1


def test_when_a_clip_is_found_then_the_document_has_what_the_contract_says(shoot):
    """Every key, the clip's facts, and where it can be read."""
    shoot("slate", "load", shoot.log(LOG))
    code, told = shoot.json("find", "12A", "3")
    assert code == 0
    (clip,) = told["clips"]
    assert set(clip) >= {
        *("clip", "display", "roll", "camera", "scene", "take", "shot", "circled", "takes"),
        *("start_timecode", "duration_seconds", "frame_rate", "codec", "width", "height"),
        *("files", "paths"),
    }
    assert (clip["clip"], clip["scene"], clip["take"]) == ("A001/C0002", "12A", "3")
    assert clip["display"] == "12A-3-A"
    assert (clip["circled"], clip["frame_rate"], clip["duration_seconds"]) == (
        True,
        "24000/1001",
        41.0,
    )
    assert [(one["drive"], one["mounted"], one["state"]) for one in clip["paths"]] == [
        ("EMBER", True, "matched"),
        ("FROST", True, "matched"),
    ]
    assert all(os.path.isfile(one["path"]) for one in clip["paths"])


def test_when_a_drive_is_away_then_the_mounted_one_comes_first(shoot):
    """The other is told, and that it isn't here."""
    os.rename(shoot.roots[0], shoot.folder / "elsewhere")
    _, told = shoot.json("find", "--roll", "S01")
    assert [(one["drive"], one["mounted"]) for one in told["clips"][0]["paths"]] == [
        ("FROST", True),
        ("EMBER", False),
    ]


def test_when_no_copy_can_be_read_then_paths_says_so_and_ends_with_three(shoot):
    """A script that takes the paths must not miss a clip in silence."""
    for root in shoot.roots:
        os.unlink(root / "S01/CLIP/T001.MOV")
    code, out, err = shoot("find", "--paths")
    assert code == 3
    assert len(out.splitlines()) == 3
    assert "S01/T001: no copy can be read right now." in err


def test_when_a_name_is_hostile_then_screens_show_it_and_nul_paths_keep_it_exactly(shoot):
    """A newline, an escape code and a byte that is no UTF-8 in one clip's name."""
    name = "\x1b[31mC\n9\udcff"
    shoot.offload("C001", "C", {name: PICTURE})
    _, out, _ = shoot("find", "--roll", "C001")
    assert "\x1b" not in out
    assert "C001/\\x1b[31mC\\n9\\xff" in out
    _, lines, err = shoot("find", "--roll", "C001", "--paths")
    assert len(lines.splitlines()) == 1
    assert "use -0" in err
    _, exact, _ = shoot("find", "--roll", "C001", "-0")
    assert exact == str(shoot.roots[0] / f"C001/CLIP/{name}.MOV") + "\0"
    assert os.path.isfile(exact[:-1])


def test_when_nothing_fits_then_it_says_so_and_ends_with_zero(shoot):
    """No clip is an answer, not a fault."""
    assert shoot("find", "--scene", "99")[:2] == (0, "No clip fits.\n")
    assert shoot.json("find", "--scene", "99") == (0, {"clips": []})


def test_when_a_timecode_is_asked_for_then_the_clips_that_ran_then_are_found(shoot):
    """Three cameras' clips hold that frame, the sound has no time."""
    _, told = shoot.json("find", "--timecode", "10:02:10:00", "--camera", "A")
    assert [clip["clip"] for clip in told["clips"]] == ["A001/C0001", "A001/C0002"]


@pytest.mark.parametrize(
    ("option", "rating"), [("--circled", "circled"), ("--keep", "keep"), ("--ng", "NG")]
)
def test_when_a_take_is_set_by_hand_then_every_option_is_kept(shoot, option, rating):
    """Shot, rating and note as given, whatever the log says of that take."""
    shoot("slate", "load", shoot.log(LOG))
    words = ("--scene", "12A", "--take", "1", "--shot", "7", option, "--note", "gulls; no wind")
    code, told = shoot.json("slate", "set", "B001/C0001", *words)
    assert code == 0
    assert (told["clip"], told["shot"], told["rating"]) == ("B001/C0001", "7", rating)
    assert (told["note"], told["by_hand"], told["sure"]) == ("gulls; no wind", True, "sure")
    _, found = shoot.json("find", "--shot", "7")
    assert [clip["clip"] for clip in found["clips"]] == ["B001/C0001"]
    assert len(shoot.json("find", "--text", "gulls")[1]["clips"]) == 1


AMBIGUOUS = "scene,take,clip\n12A,1,C0001\n"
ASKS = "Which take? (a, or scene and take: 12A 3; Enter leaves it open): "


def test_when_links_are_open_then_a_person_in_a_terminal_is_asked_one_by_one(shoot):
    """C0001 is on two rolls: answered for one, left open for the other; nonsense is asked again."""
    shoot("slate", "load", shoot.log(AMBIGUOUS))
    code, told = shoot.json("slate", "match")
    assert code == 3
    assert [(one["clip"], one["answers"][0]["take"]) for one in told["questions"]] == [
        ("A001/C0001", "1"),
        ("B001/C0001", "1"),
    ]
    person = Keyboard(shoot.folder, (), environment={"INGEST_CATALOG": shoot.place})
    try:
        person.type("ingest slate match\n")
        shown = person.waits(ASKS)
        assert "1 of 2: A001/C0001 (day 1, camera A, 10:02:00:00, 41.0 s)" in shown
        assert "   a  12A take 1 (day1.csv row 2 names a clip of this name)" in shown
        person.type("maybe\n")
        assert "maybe is no answer." in person.waits(ASKS)
        person.type("a\n")
        assert "2 of 2: B001/C0001" in person.waits(ASKS)
        person.type("\n")
        said = person.ends()
    finally:
        person.leave()
    assert "1 by hand" in said
    _, found = shoot.json("find", "12A", "1")
    assert [clip["clip"] for clip in found["clips"]] == ["A001/C0001"]
