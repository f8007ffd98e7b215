"""Shot lists: read whole or not at all, and which of several lists' shots stand."""

import pytest

from ingest.catalog.records import PlannedShot
from ingest.errors import BadLog
from ingest.slate.planned import read_shot_list, standing


@pytest.fixture
def sheet(tmp_path):
    def write(text):
        path = tmp_path / "shots.csv"
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


def refused(path, **more):
    with pytest.raises(BadLog) as caught:
        read_shot_list(path, **more)
    return " ".join(caught.value.lines())


def test_when_a_list_is_read_then_every_column_has_its_meaning(sheet):
    """Headings in any order and case; what isn't known is kept."""
    (shot,) = read_shot_list(
        sheet(
            "Cams;SHOT SIZE;Setup;Shot;Sc.;Shoot Day;Location;Description;Props\n"
            'A+B;CU;B;7;12A;Day 2;Tarn Ness;"hands; rope";lamp\n'
        )
    )
    assert shot == PlannedShot(
        scene="12A",
        shot="7",
        setup="B",
        day=2,
        size="CU",
        location="Tarn Ness",
        cameras=("A", "B"),
        note="hands; rope",
        extra={"Props": "lamp"},
        list="shots.csv",
        row=2,
    )


def test_when_a_list_has_frames_and_no_scenes_then_a_frame_is_both(sheet):
    """A storyboard, as for a commercial."""
    (shot,) = read_shot_list(sheet("frame,note\n7,the lamp\n"))
    assert (shot.scene, shot.shot) == ("7", "7")


def test_when_days_stand_as_dates_then_known_shoot_days_give_their_number(sheet):
    """The date is kept where its day isn't known yet."""
    shots = read_shot_list(
        sheet("scene,date\n12,14.03.2026\n13,16.03.2026\n"), shoot_dates={"2026-03-14": 1}
    )
    assert [(shot.day, shot.date) for shot in shots] == [(1, "2026-03-14"), (None, "2026-03-16")]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("take,notes\n3,x\n", "no row of headings"),
        ("scene,take\n12,3\n", "is a slate log, not a shot list. Do: ingest slate load"),
        ("scene,shot\n,\n", "no shots under them"),
        ("scene,shot,day\n12,1,later\n", "Row 2, column C (day): later is no shoot day"),
        ("scene,shot,note\n,,the lamp\n", "Row 2, column A (scene): no scene"),
        ("scene,shot,size\n12,1,CU\n12,1,WS\n", "the same shot as row 2, told otherwise"),
        ("scene,shot\n=B2,1\n", "=B2 is a formula"),
        ("scene,shot\n12,03-Jan\n", "03-Jan is a date that the spreadsheet made of it"),
        ("scene,scene\n12,13\n", "columns A and B are both called scene"),
    ],
)
def test_when_a_list_is_wrong_then_one_line_says_what_and_where(sheet, text, words):
    """And nothing of it is taken."""
    assert words in refused(sheet(text))


def test_when_a_list_a_day_is_loaded_then_both_days_stand():
    """The newer list says nothing of the older one's day."""
    one, two = PlannedShot("12", "1", day=1), PlannedShot("13", "2", day=2)
    assert standing([[one], [two]]) == (one, two)


def test_when_a_newer_list_plans_the_same_day_then_the_older_is_replaced():
    """A shot that was cut from the list is no longer owed."""
    cut, stays = PlannedShot("12", "1", day=1), PlannedShot("12", "2", day=1)
    assert standing([[cut, stays], [stays]]) == (stays,)


def test_when_a_shot_is_moved_to_another_day_then_it_is_planned_there_alone():
    """It is owed once, on its new day."""
    moved = PlannedShot("12", "1", day=3)
    stays = PlannedShot("12", "2", day=1)
    assert standing([[PlannedShot("12", "1", day=1), stays], [moved]]) == (stays, moved)
