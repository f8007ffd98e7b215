"""Scene and take names. How they are written is common practice, with no published source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.slate.names import (
    TakeKind,
    camera_key,
    name_key,
    parse_scene,
    parse_take,
    same_scene,
    same_take,
    scene_key,
    scene_order,
    split_slate,
    take_key,
    take_order,
)


@pytest.mark.parametrize(
    "text", ["12A", "12a", "012A", "12 A", "12-A", "Sc 12A", "scene 12A", "12_A"]
)
def test_when_a_scene_is_written_differently_then_it_is_the_same_scene(text):
    """Case, leading zeros, blanks and the word scene don't count."""
    assert same_scene(text, "12A")


@pytest.mark.parametrize("text", ["12", "12B", "A12", "112A", "12AA", "1-2A"])
def test_when_a_scene_has_another_name_then_it_is_another_scene(text):
    """A letter slip makes another scene: nothing is corrected silently."""
    assert not same_scene(text, "12A")


@pytest.mark.parametrize("text", ["3", "03", "T3", "t 3", "tk 3", "Tk. 3", "Take 3", "take #3"])
def test_when_a_take_is_written_differently_then_it_is_the_same_take(text):
    """T, tk and take are the same word."""
    assert same_take(text, "3")


@pytest.mark.parametrize(
    ("text", "kind", "number"),
    [
        ("3", TakeKind.TAKE, "3"),
        ("3PU", TakeKind.PICK_UP, "3"),
        ("3 pick-up", TakeKind.PICK_UP, "3"),
        ("PU", TakeKind.PICK_UP, ""),
        ("WT2", TakeKind.WILD_TRACK, "2"),
        ("wild track 2", TakeKind.WILD_TRACK, "2"),
        ("RT", TakeKind.ROOM_TONE, ""),
        ("Room tone", TakeKind.ROOM_TONE, ""),
        ("ABC", TakeKind.OTHER, ""),
    ],
)
def test_when_a_take_is_no_plain_number_then_its_kind_is_known(text, kind, number):
    """Pick-ups, wild tracks and room tone are told apart."""
    take = parse_take(text)
    assert (take.kind, take.number) == (kind, number)
    assert take.has_picture is (kind not in (TakeKind.WILD_TRACK, TakeKind.ROOM_TONE))


def test_when_a_pick_up_has_the_number_of_a_take_then_it_is_not_that_take():
    """3PU is not 3."""
    assert not same_take("3PU", "3")
    assert same_take("3PU", "3 pu")


@pytest.mark.parametrize(
    ("text", "scene", "take"),
    [
        ("12A-3", "12A", "3"),
        ("12A T3", "12A", "3"),
        ("12A tk 3", "12A", "3"),
        ("12A take 3", "12A", "3"),
        ("12A/3PU", "12A", "3PU"),
        ("12 WT2", "12", "WT2"),
        ("12A", "12A", None),
        ("A12", "A12", None),
        ("drone", "drone", None),
    ],
)
def test_when_scene_and_take_stand_in_one_text_then_they_are_split(text, scene, take):
    """The common ways to write both in one."""
    assert split_slate(text) == (scene, take)


def test_when_scenes_are_put_in_order_then_numbers_count_as_numbers():
    """A12 was inserted before 12, 12A after it."""
    names = ["13", "12B", "drone", "12", "A12", "2", "12AA", "12A"]
    assert sorted(names, key=scene_order) == ["2", "A12", "12", "12A", "12B", "12AA", "13", "drone"]


def test_when_takes_are_put_in_order_then_the_pick_up_follows_its_take():
    """10 comes after 2, sound without picture last."""
    assert sorted(["10", "WT1", "2PU", "2", "1"], key=take_order) == ["1", "2", "2PU", "10", "WT1"]


def test_when_a_scene_is_parsed_then_its_parts_are_told():
    """Letter before, number, letter after."""
    scene = parse_scene("A012B")
    assert (scene.prefix, scene.number, scene.suffix) == ("a", "12", "b")


@pytest.mark.parametrize("text", ["A", "a", "Cam A", "A cam", "A-camera", "Camera A"])
def test_when_a_camera_is_written_differently_then_it_is_the_same_camera(text):
    """The word camera doesn't count."""
    assert camera_key(text) == "a"


def test_when_a_camera_is_called_cam_then_it_keeps_its_name():
    """A camera of that name alone must not become nothing."""
    assert camera_key("Cam") == "cam"


def test_when_two_numbers_stand_apart_then_they_are_not_one_number():
    """12-3 is not 123."""
    assert name_key("12-3") != name_key("123")
    assert name_key("C0001") == name_key("c1")


@given(st.text())
def test_when_any_text_is_a_name_then_nothing_fails_and_it_equals_itself_in_capitals_or_not(text):
    """Names come from strangers: every function takes any text, keys are stable."""
    assert scene_key(scene_key(text)) == scene_key(scene_key(scene_key(text)))
    assert take_key(text) == take_key(f"  {text}\n")
    assert scene_key(text) == scene_key(text.casefold())
    split_slate(text)
    assert sorted([text, "12A"], key=scene_order)
    assert sorted([text, "3", "WT2"], key=take_order)


def test_when_a_number_has_some_thousand_digits_then_it_is_still_compared():
    """Python refuses to convert such numbers; nothing here converts them."""
    long = "9" * 6000
    assert sorted([long, "1"], key=take_order) == ["1", long]
    assert take_key("0" * 6000) == "0"
