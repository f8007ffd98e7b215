"""What the clips say, from the command line: a camera set wrong, and how much was shot."""

from __future__ import annotations

from pathlib import Path

from tests.conftest import Runner


def test_the_clip_left_at_29_97_is_found_without_being_told(
    ingest: Runner, card, drives, desk: Path, apart: None
) -> None:
    """The demo's camera A was left at 29.97 for one clip. No ingest.toml says what was wanted."""
    one, other = drives
    to = ("--to", one, "--to", other)
    ran = ingest(
        "offload", card("DAY1/A001"), "--production", "Kestrel_Quay", *to, "--system-disk-ok"
    )
    assert ran.code == 0
    assert "Set wrong: 29.97 fps instead of 23.976 fps (its other clips)" in ran.out
    assert "Do: ask the camera department whether it was meant; if not, reset it now." in ran.out
    (wrong,) = [
        one for one in ingest("rolls", "--json").document["rolls"][0]["set_wrong"] if one["wrong"]
    ]
    assert wrong["clip"].startswith("A001/A001C003_")
    assert (wrong["device"], wrong["setting"], wrong["basis"]) == (
        "A",
        "frame rate",
        "its other clips",
    )


def test_rolls_tells_how_much_was_shot(
    ingest: Runner, card, drives, apart: None, desk: Path
) -> None:
    """By roll, camera and day, in seconds, bytes and bits a second; nothing set wrong, nothing
    said."""
    one, other = drives
    for name in ("DAY1/B001", "DAY2/B002"):
        done = ingest(
            "offload", card(name), "--production", "Kestrel_Quay", "--day", name[3], "--to", one,
            "--to", other, "--system-disk-ok",
        )  # fmt: skip
        assert done.code == 0
    ran = ingest("rolls")
    assert "4 clips, " in ran.out
    assert "Set wrong" not in ran.out
    document = ingest("rolls", "--json").document
    (totals,) = document["totals"]
    assert [day["clips"] for day in totals["days"]] == [4, 3]
    assert [camera["camera"] for camera in totals["cameras"]] == ["B"]
    seconds = sum(roll["shot"]["seconds"] for roll in document["rolls"])
    assert abs(totals["seconds"] - seconds) < 0.01
    assert totals["clips"] == 7
    assert totals["bytes"] == sum(roll["bytes"] for roll in document["rolls"])
