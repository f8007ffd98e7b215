"""What a damaged clip means for the shots that were planned."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ingest.assurance.story import Held, LostClip, last_days, story_words, tell_story
from ingest.catalog.records import PlannedShot, Rating

SHOTS = (
    PlannedShot("12", "1", day=1, location="Kestrel Quay"),
    PlannedShot("12A", "2", day=1, location="Skerrow Point"),
    PlannedShot("17", "7", day=2, location="Kestrel Quay"),
)


def lost(*clips: str) -> list[LostClip]:
    return [LostClip(clip, "no good copy is left") for clip in clips]


def test_the_same_take_from_the_other_camera_covers_a_lost_clip() -> None:
    """Two cameras on one take: one of them is enough to cut with."""
    held = [
        Held("A001/C001", "A", "12", "2", "1", Rating.CIRCLED),
        Held("B001/C001", "B", "12", "2", "1", Rating.CIRCLED),
        Held("A001/C002", "A", "12", "3", "1", Rating.KEEP),
    ]
    (story,) = tell_story(lost("A001/C001"), held, SHOTS)
    assert not story.again
    assert story.covers[0].same_take and story.covers[0].held.clip == "B001/C001"
    assert story_words(story) == (
        "shot 1 (scene 12) loses take 2 in A001/C001 (no good copy is left); "
        "the same take, camera B (B001/C001, circled) covers it, and 1 more"
    )


def test_a_keep_covers_where_the_circled_take_is_gone_and_an_ng_never_does() -> None:
    """A keep is kept for that; NG means no good."""
    held = [
        Held("A001/C001", "A", "12", "1", "1", Rating.NG),
        Held("A001/C002", "A", "12", "2", "1", Rating.CIRCLED),
        Held("A001/C003", "A", "12", "3", "1", Rating.KEEP),
    ]
    (story,) = tell_story(lost("A001/C002"), held, SHOTS)
    assert [cover.held.clip for cover in story.covers] == ["A001/C003"]
    assert story.keep_only
    (story,) = tell_story(lost("A001/C002", "A001/C003"), held, SHOTS)
    assert story.again
    assert story_words(story).endswith(
        "no good take is left, so it must be shot again at Kestrel Quay; "
        "the last day there is day 2"
    )
    assert tell_story(lost("A001/C001"), held, SHOTS) == ()


def test_what_must_be_shot_again_comes_first_and_by_the_last_day_at_its_location() -> None:
    """A place that is left tonight can't be had tomorrow."""
    held = [
        Held("A001/C001", "A", "12", "1", "1"),
        Held("A001/C002", "A", "12A", "1", "2"),
        Held("A001/C003", "A", "17", "1", "7"),
        Held("B001/C003", "B", "17", "1", "7"),
    ]
    told = tell_story(lost("A001/C001", "A001/C002", "A001/C003"), held, SHOTS)
    assert [(one.shot, one.again, one.last_day) for one in told] == [
        ("2", True, 1),
        ("1", True, 2),
        ("7", False, 2),
    ]
    assert last_days(SHOTS) == {"kestrelquay": 2, "skerrowpoint": 1}


def test_a_take_with_no_shot_in_the_log_belongs_to_the_only_one_of_its_scene() -> None:
    """And one of a scene that no list names is told by its scene."""
    held = [Held("A001/C001", "A", "17", "1"), Held("A001/C002", "A", "99", "1")]
    told = tell_story(lost("A001/C001", "A001/C002"), held, SHOTS)
    assert [(one.scene, one.shot, one.planned is not None) for one in told] == [
        ("17", "7", True),
        ("99", None, False),
    ]


_TAKES = st.builds(
    Held,
    clip=st.sampled_from(["A/1", "A/2", "A/3", "B/1", "B/2"]),
    camera=st.sampled_from(["A", "B"]),
    scene=st.sampled_from(["12", "17"]),
    take=st.sampled_from(["1", "2"]),
    shot=st.sampled_from(["1", "2"]),
    rating=st.sampled_from([None, *Rating]),
)


@given(st.lists(_TAKES, max_size=8), st.frozensets(st.sampled_from(["A/1", "A/2", "B/1"])))
def test_stories_are_what_counting_every_shot_before_and_after_gives(
    held: list[Held], gone: frozenset[str]
) -> None:
    """Brute force: the good takes of each shot before and after, shot by shot."""
    planned = [PlannedShot(s, n, day=d) for s, n, d in (("12", "1", 1), ("12", "2", 2))]
    told = {(one.scene, one.shot): one for one in tell_story(lost(*gone), held, planned)}
    for scene in ("12", "17"):
        for shot in ("1", "2"):
            of_shot = [one for one in held if (one.scene, one.shot) == (scene, shot)]
            before = [one for one in of_shot if one.rating != "NG"]
            after = [one for one in before if one.clip not in gone]
            story = told.pop((scene, shot), None)
            assert (story is not None) == (len(after) < len(before))
            if story is None:
                continue
            assert story.again == (not after)
            assert sorted(map(repr, (c.held for c in story.covers))) == sorted(map(repr, after))
            ranks = [["circled", "keep", None].index(c.held.rating) for c in story.covers]
            assert ranks == sorted(ranks)
            lost_takes = {(h.scene, h.take) for h, _ in story.lost}
            assert all(
                c.same_take == ((c.held.scene, c.held.take) in lost_takes) for c in story.covers
            )
    assert not told
