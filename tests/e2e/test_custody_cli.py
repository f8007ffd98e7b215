"""Where drives and cards are, what people decide, and rolls corrected: typed and read."""

from __future__ import annotations

import json
import os
import socket
from pathlib import Path

import pytest

from ingest import platforms
from ingest.catalog.catalog import Catalog
from ingest.copying.roll_folder import LOCK
from ingest.manifest.history import read_history
from tests.conftest import Runner
from tests.e2e.further import CLIPS, FOLDER, disks_apart, offloaded, whole

NEW = "Saltmarsh/D01_2026-03-02/A007"


@pytest.fixture
def place(tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Roll A003 on HERON and OTTER."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    return tmp_path


def away(place: Path, drive: str) -> Path:
    """Unplug a drive; what is given back plugs it in again when renamed."""
    hidden = place / "shelf" / drive
    hidden.parent.mkdir(exist_ok=True)
    (place / drive).rename(hidden)
    return hidden


# Drives -----------------------------------------------------------------------------------------


def test_a_lost_drive_counts_for_no_copy_and_the_rolls_are_named(
    place: Path, ingest: Runner
) -> None:
    """Which rolls fell below the copies wanted, and what to do; exit 3."""
    assert ingest("rolls").code == 0
    away(place, "OTTER")
    ran = ingest("drives", "set", "OTTER", "--lost", "--json")
    assert ran.code == 3
    assert ran.document["standing"] == "lost"
    assert ran.document["below"] == [
        {"production": "Saltmarsh", "day": 1, "roll": "A003", "copies": 1, "wanted": 2}
    ]
    assert ingest("rolls", "--json").document["rolls"][0]["state"] == "one copy"
    again = ingest("drives", "set", "OTTER", "--lost")
    assert again.code == 0, "no roll fell by saying it twice"
    assert again.out.splitlines()[0] == "OTTER: lost: it counts for no copy"


def test_a_found_drive_counts_again_only_after_an_audit(place: Path, ingest: Runner) -> None:
    """What was read before it was lost tells nothing of it now."""
    hidden = away(place, "OTTER")
    ingest("drives", "set", "OTTER", "--lost")
    hidden.rename(place / "OTTER")
    assert ingest("drives", "set", "OTTER", "--received", "--json").document["standing"] == "kept"
    assert ingest("rolls", "--json").document["rolls"][0]["copies_on_separate_devices"] == 1
    assert ingest("audit", "OTTER", "--again").code == 0
    assert ingest("rolls", "--json").document["rolls"][0]["copies_on_separate_devices"] == 2


def test_a_drives_way_is_kept_and_shown(place: Path, ingest: Runner) -> None:
    """Sent, received, renamed: each dated, with who, on which machine."""
    assert ingest("drives", "set", "OTTER", "--where", "bag 1").code == 0
    sent = ingest("drives", "set", "OTTER", "--sent", "the vault", "--by", "Rui")
    assert "in transit to the vault, with Rui" in sent.out
    assert ingest("drives", "set", "OTTER", "--received", "--offsite").code == 0
    assert ingest("drives", "set", "OTTER", "--name", "EGRET").code == 0
    document = ingest("drives", "--json").document["drives"]
    egret = next(one for one in document if one["name"] == "EGRET")
    assert (egret["where"], egret["offsite"], egret["standing"]) == ("the vault", True, "kept")
    assert [change["what"] for change in egret["history"]] == [
        "where",
        "sent",
        "received",
        "where",
        "name",
    ]
    assert all(change["machine"] == socket.gethostname() for change in egret["history"])
    shown = ingest("drives", "--history").out
    assert "sent to the vault by Rui" in shown
    assert "at the vault (off-site)" in shown


def test_a_drive_is_found_by_its_new_name_and_by_its_folder(place: Path, ingest: Runner) -> None:
    """Mounted elsewhere, the marker says which it is, the catalog what it is called."""
    ingest("drives", "set", "OTTER", "--name", "EGRET")
    there = place / "media 1" / "OTTER"  # the stand-in for its hardware goes by the last name
    there.parent.mkdir()
    (place / "OTTER").rename(there)
    assert ingest("drives", "set", there, "--where", "bag 2").code == 0
    document = ingest("drives", "--json").document["drives"]
    assert {one["name"]: one["where"] for one in document} == {"HERON": None, "EGRET": "bag 2"}
    assert ingest("audit", there).code == 0
    assert "EGRET" in ingest("audit", there, "--again").out
    (place / "card" / "CLIP" / "C0009.BIN").write_bytes(b"more " * 99)
    words = ("--day", "1", "--roll", "A003", "--to", place / "HERON", "--to", "EGRET", "--json")
    ran = ingest("offload", place / "card", *words)
    assert [one["name"] for one in ran.document["drives"]] == ["HERON", "EGRET"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--lost", "--dead"), "one of them at a time"),
        (("--sent", "the vault"), "go together"),
        (("--by", "Rui"), "go together"),
        (("--received",), "was not sent"),
        (("--name", "heron"), "bears the name HERON"),
        (("--name", "A\nB"), "on one line"),
        (("--where", "bag\x1b[31m"), "on one line"),
        (("--offsite",), "no place"),
    ],
)
def test_a_change_that_can_t_be_meant_is_refused(
    place: Path, ingest: Runner, words: tuple[str, ...], said: str
) -> None:
    """Exit 2, one clear line, nothing written down."""
    ran = ingest("drives", "set", "OTTER", *words)
    assert ran.code == 2
    assert said in ran.err
    assert "\x1b" not in ran.err
    assert ingest("drives", "set", "OTTER", "--json").document["history"] == []


def test_an_unknown_drive_is_answered_with_those_that_are_known(
    place: Path, ingest: Runner
) -> None:
    """Exit 2 and the names."""
    ran = ingest("drives", "set", "STORK", "--lost")
    assert ran.code == 2
    assert "HERON, OTTER" in ran.err


def test_ingest_toml_says_where_a_drive_lives_until_a_person_does(
    place: Path, ingest: Runner
) -> None:
    """What was written down beats the file; a place there is off-site for all drives at it."""
    toml = place / "desk" / "ingest.toml"
    toml.write_text(
        toml.read_text()
        + '[drive.HERON]\nwhere = "the vault"\noffsite = true\n[drive.OTTER]\nwhere = "bag 1"\n'
    )

    def told() -> dict[str, tuple[str | None, bool | None]]:
        drives = ingest("drives", "--json").document["drives"]
        return {one["name"]: (one["where"], one["offsite"]) for one in drives}

    assert told() == {"HERON": ("the vault", True), "OTTER": ("bag 1", None)}
    ingest("drives", "set", "OTTER", "--where", "The Vault")
    ingest("drives", "set", "HERON", "--where", "")
    assert told() == {"HERON": (None, None), "OTTER": ("The Vault", True)}


def test_a_renamed_drive_says_which_line_of_ingest_toml_has_its_old_name(
    place: Path, ingest: Runner
) -> None:
    """Its place there would be said of no drive; written as told, it is that drive's again."""
    toml = place / "desk" / "ingest.toml"
    toml.write_text(toml.read_text() + '# drives\n[drive.otter]\nwhere = "bag 1"\n')
    lines = toml.read_text().splitlines()
    ran = ingest("drives", "set", "OTTER", "--name", "GREY HERON")
    assert ran.code == 0
    said, do = ran.out.splitlines()[-2:]
    number = lines.index("[drive.otter]") + 1
    assert said == f"! {toml}, line {number}, calls it otter and says that it lives at bag 1"
    written = do.removeprefix("Do: write ").partition(" there")[0]
    assert written == '[drive."GREY HERON"]'
    toml.write_text(toml.read_text().replace("[drive.otter]", written))
    ran = ingest("drives", "set", "GREY HERON", "--json")
    assert (ran.document["where"], ran.document["old_name"]) == ("bag 1", None)
    ran = ingest("drives", "set", "GREY HERON", "--name", "EGRET", "--json")
    assert ran.document["old_name"]["new"] == "EGRET"
    ran = ingest("drives", "set", "HERON", "--name", "OTTER")
    assert "line" not in ran.out, "nothing is said of it there"


def test_options_before_the_further_command_are_not_passed_over(
    place: Path, ingest: Runner
) -> None:
    """They would be lost: exit 2."""
    ran = ingest("drives", "--catalog", "elsewhere", "set", "OTTER", "--lost")
    assert ran.code == 2
    assert "behind the command: ingest drives set --" in ran.err


# Cards ------------------------------------------------------------------------------------------


def test_a_cards_sticker_due_date_and_return_are_kept(place: Path, ingest: Runner) -> None:
    """An overdue card is said, exit 3; one that went back is not."""
    ingest("cards", "set", "card", "--label", "CARD 7", "--due", "2026-03-05")
    ran = ingest("cards")
    assert ran.code == 3
    assert "CARD 7: " in ran.out and "OVERDUE since 2026-03-05" in ran.out
    assert ingest("cards", "set", "CARD 7", "--returned").code == 0
    (card,) = ingest("cards", "--json").document["cards"]
    assert (card["card"], card["overdue"], card["rolls"]) == ("CARD 7", False, ["Saltmarsh/A003"])
    assert card["returned"] is not None
    assert ingest("cards").code == 0


def test_a_card_that_never_came_in_is_written_down_only_when_said_so(
    place: Path, ingest: Runner
) -> None:
    """A typo makes no card."""
    ran = ingest("cards", "set", "CARD 9", "--due", "2099-01-01")
    assert ran.code == 2
    assert "--new" in ran.err
    assert ingest("cards", "set", "CARD 9", "--due", "2099-01-01", "--new").code == 0
    document = ingest("cards", "--json").document["cards"]
    assert [(one["card"], one["state"]) for one in document] == [
        ("card", "matched"),
        ("CARD 9", "never in"),
    ]


@pytest.mark.parametrize("words", [("--label", "CARD\n9"), ("--due", "5 March"), ("--label", " ")])
def test_a_bad_label_or_date_is_refused(
    place: Path, ingest: Runner, words: tuple[str, ...]
) -> None:
    """Exit 2, nothing written down."""
    assert ingest("cards", "set", "card", *words).code == 2
    assert ingest("cards", "--json").document["cards"][0]["history"] == []


def test_two_cards_never_bear_one_label(place: Path, ingest: Runner) -> None:
    """Two stickers alike can't be told apart."""
    ingest("cards", "set", "CARD 9", "--new")
    ran = ingest("cards", "set", "card", "--label", "card 9")
    assert ran.code == 2
    assert "Another card" in ran.err


# Rolls ------------------------------------------------------------------------------------------


def test_a_corrected_roll_has_its_new_name_everywhere(place: Path, ingest: Runner) -> None:
    """Catalog and folders at once; every byte, time and hash list as it was."""
    lists = {
        path.name: path.read_bytes() for path in (place / "HERON" / FOLDER / "ascmhl").iterdir()
    }
    ran = ingest("rolls", "set", "A003", "--roll", "A007", "--camera", "A", "--json")
    assert ran.code == 0
    assert (ran.document["roll"], ran.document["camera"]) == ("A007", "A")
    assert [one["renamed"] for one in ran.document["folders"]] == [True, True]
    for drive in ("HERON", "OTTER"):
        assert not (place / drive / FOLDER).exists()
        for path, data in CLIPS.items():
            assert (place / drive / NEW / path).read_bytes() == data
        assert not list((place / drive / NEW).glob(".ingest*")), "no lock, no journal is left"
    after = {path.name: path.read_bytes() for path in (place / "HERON" / NEW / "ascmhl").iterdir()}
    assert after == lists
    assert [roll["roll"] for roll in ingest("rolls", "--json").document["rolls"]] == ["A007"]


def test_hash_lists_stay_true_when_the_folder_is_renamed(place: Path, ingest: Runner) -> None:
    """ASC MHL v1.0 5.3, 6.3, 7.4.2: paths are relative to the scope, names in the chain are bare.
    The history reads whole, an audit matches by it, and its next generation bears the new name."""
    ingest("rolls", "set", "A003", "--roll", "A007")
    roll = os.open(place / "HERON" / NEW, os.O_RDONLY)
    try:
        assert read_history(roll).problems == ()
    finally:
        os.close(roll)
    assert ingest("audit", place / "HERON").code == 0
    names = sorted(path.name for path in (place / "HERON" / NEW / "ascmhl").glob("*.mhl"))
    assert [name[:9] for name in names] == ["0001_A003", "0002_A007"]
    fresh = place / "fresh.sqlite3"
    assert ingest("audit", place / "HERON", "--catalog", fresh, "--no-record").code == 0


def test_a_corrected_day_moves_the_roll_below_the_right_day(place: Path, ingest: Runner) -> None:
    """By the shoot days of ingest.toml."""
    toml = place / "desk" / "ingest.toml"
    toml.write_text('production = "Saltmarsh"\ndays = ["2026-03-02", "2026-03-03"]\n')
    assert ingest("rolls", "set", "A003", "--day", "2").code == 0
    assert (place / "HERON" / "Saltmarsh/D02_2026-03-03/A003/note.txt").exists()
    assert ingest("rolls", "--json").document["rolls"][0]["date"] == "2026-03-03"
    unknown = ingest("rolls", "set", "A003", "--day", "9")
    assert unknown.code == 2
    assert "Which date is shoot day 9" in unknown.err


def test_a_drive_that_was_away_is_set_right_when_it_is_next_seen(
    place: Path, ingest: Runner
) -> None:
    """Corrected twice meanwhile: one rename to the last name. Nothing is lost on the way."""
    hidden = away(place, "OTTER")
    first = ingest("rolls", "set", "A003", "--roll", "A005")
    assert first.code == 0
    assert "OTTER: the folder keeps its name: it is not mounted" in first.out
    assert ingest("rolls", "set", "A005", "--roll", "A007").code == 0
    assert "keeps the old name" in ingest("rolls").out
    hidden.rename(place / "OTTER")
    ran = ingest("audit", place / "OTTER")
    assert ran.code == 0
    assert f"OTTER: {FOLDER} is called {NEW} now, as corrected" in ran.err
    assert (place / "OTTER" / NEW / "note.txt").read_bytes() == CLIPS["note.txt"]
    assert not (place / "OTTER" / FOLDER).exists()
    assert (place / "HERON" / NEW).is_dir()
    assert "keeps the old name" not in ingest("rolls").out


def test_a_correction_taken_back_leaves_everything_as_it_was(place: Path, ingest: Runner) -> None:
    """There and back, with one drive away in between."""
    hidden = away(place, "OTTER")
    ingest("rolls", "set", "A003", "--roll", "A005")
    ingest("rolls", "set", "A005", "--roll", "A003")
    hidden.rename(place / "OTTER")
    assert ingest("audit").code == 0
    for drive in ("HERON", "OTTER"):
        assert (place / drive / FOLDER / "note.txt").exists()
        assert sorted(one.name for one in (place / drive / "Saltmarsh").rglob("A0*")) == ["A003"]


def test_a_rename_that_was_cut_off_is_believed_only_after_a_look(
    place: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cut off after the rename and before the catalog: the next command looks at every file under
    the new name by length and samples, and takes it from there."""

    class CutError(BaseException):
        pass

    def cut(*_: object) -> None:
        raise CutError

    with monkeypatch.context() as patch:
        patch.setattr(Catalog, "record_moved", cut)
        with pytest.raises(CutError):
            ingest("rolls", "set", "A003", "--roll", "A007")
    assert (place / "HERON" / NEW).is_dir()
    damaged = place / "HERON" / NEW / "note.txt"
    damaged.write_bytes(b"SMALL")
    assert ingest("audit", place / "HERON").code == 3
    damaged.write_bytes(b"small")
    ran = ingest("audit")
    assert f"HERON: {FOLDER} is called {NEW} now" in ran.err
    whole_now = ingest("audit", "--json")
    assert whole_now.document["drives"][0]["rolls"][0]["missing"] == 0
    assert {one["folder"] for d in whole_now.document["drives"] for one in d["rolls"]} == {NEW}


def test_a_correction_while_an_offload_runs_is_refused(place: Path, ingest: Runner) -> None:
    """The roll's lock says so; the catalog and every folder stay as they are."""
    lock = place / "OTTER" / FOLDER / LOCK
    lock.mkdir()
    owner = {
        "run": "ab",
        "host": socket.gethostname(),
        "boot": platforms.boot_id(),
        "pid": os.getpid(),
    }
    (lock / "owner.json").write_text(json.dumps(owner))
    ran = ingest("rolls", "set", "A003", "--roll", "A007")
    assert ran.code == 2
    assert "another run is filling this roll" in ran.err
    assert [roll["roll"] for roll in ingest("rolls", "--json").document["rolls"]] == ["A003"]
    (lock / "owner.json").unlink()
    lock.rmdir()
    whole(place, "HERON")
    whole(place, "OTTER")


def test_a_correction_onto_something_else_is_refused(place: Path, ingest: Runner) -> None:
    """What lies at the new place is never touched, and nothing is changed."""
    taken = place / "OTTER" / NEW
    taken.mkdir()
    ran = ingest("rolls", "set", "A003", "--roll", "A007")
    assert ran.code == 2
    assert f"OTTER: something lies at {NEW} already. Nothing was changed." in ran.err
    whole(place, "HERON")
    whole(place, "OTTER")


def test_a_folder_that_a_hash_list_above_knows_keeps_its_name(place: Path, ingest: Runner) -> None:
    """Somebody's history over the whole drive names the folder (ASC MHL v1.0 6.5.5); renaming it
    would make that list untrue."""
    (place / "OTTER" / "ascmhl").mkdir()
    ran = ingest("rolls", "set", "A003", "--roll", "A007")
    assert ran.code == 3
    assert "a hash list in its top folder knows this folder by its name" in ran.out
    whole(place, "OTTER")
    assert (place / "HERON" / NEW).is_dir()
    assert ingest("audit").code == 0


def test_a_hold_a_viewer_and_a_date_are_kept_with_the_roll(place: Path, ingest: Runner) -> None:
    """Shown with the roll, with their history."""
    ingest("rolls", "set", "A003", "--hold", "the client wants to see it first")
    ingest("rolls", "set", "Saltmarsh/A003", "--viewed", "Marta", "--until", "2026-06-01")
    (roll,) = ingest("rolls", "--json").document["rolls"]
    assert roll["hold"] == "the client wants to see it first"
    assert (roll["viewed_by"], roll["until"]) == ("Marta", "2026-06-01")
    shown = ingest("rolls", "--history").out
    assert "held by" in shown and "kept until 2026-06-01" in shown
    assert ingest("rolls", "set", "A003", "--no-hold", "--json").document["hold"] is None


def test_a_roll_name_that_two_productions_bear_is_asked_for(place: Path, ingest: Runner) -> None:
    """Exit 2 with the candidates."""
    (place / "card2").mkdir()
    (place / "card2" / "other.bin").write_bytes(b"other footage " * 999)
    words = ("--production", "Reed", "--day", "1", "--roll", "A003")
    ran = ingest(
        "offload", place / "card2", *words, "--to", place / "HERON", "--to", place / "OTTER"
    )
    assert ran.code == 0
    ran = ingest("rolls", "set", "A003", "--hold", "x")
    assert ran.code == 2
    assert "Reed/A003, Saltmarsh/A003" in ran.err
    assert ingest("rolls", "set", "Reed/A003", "--roll", "A004").code == 0
    assert (
        ingest("rolls", "set", "Reed/A004", "--production", "Saltmarsh", "--roll", "A003").code == 2
    )
    assert ingest("rolls", "set", "A004", "--production", "Saltmarsh").code == 0
    assert [one.name for one in (place / "HERON" / "Saltmarsh").rglob("A004")] == ["A004"]


def test_a_card_that_goes_on_after_a_correction_joins_the_corrected_roll(
    place: Path, ingest: Runner
) -> None:
    """Its files are known again, the new one lands in the renamed folder, on a drive that was
    away as well."""
    hidden = away(place, "OTTER")
    ingest("rolls", "set", "A003", "--roll", "A007")
    hidden.rename(place / "OTTER")
    (place / "card" / "CLIP" / "C0004.BIN").write_bytes(b"one more " * 999)
    words = ("--day", "1", "--roll", "A007", "--to", place / "HERON", "--to", place / "OTTER")
    ran = ingest("offload", place / "card", *words, "--json")
    assert ran.code == 0
    assert (ran.document["roll"], ran.document["known"]) == ("A007", len(CLIPS))
    for drive in ("HERON", "OTTER"):
        assert (place / drive / NEW / "CLIP" / "C0004.BIN").exists()
        assert not (place / drive / FOLDER).exists()
    assert ingest("reuse", place / "card").code == 0
    assert ingest("audit").code == 0


def test_a_drive_that_another_machine_wrote_to_is_the_drive_it_was(
    place: Path, ingest: Runner
) -> None:
    """Known by its marker; what is here is known as before, and the other machine's roll is taken
    in by its hash lists, as claims."""
    (place / "card2").mkdir()
    (place / "card2" / "B001C001.BIN").write_bytes(b"the other unit " * 999)
    words = ("--day", "1", "--roll", "B001", "--to", place / "HERON", "--to", place / "OTTER")
    other = ("--catalog", place / "other.sqlite3")
    assert ingest("offload", place / "card2", *words, *other).code == 0
    assert ingest("reuse", place / "card").code == 0
    markers = {one["marker"] for one in ingest("drives", "--json").document["drives"]}
    assert markers == {
        one["marker"] for one in ingest("drives", "--json", *other).document["drives"]
    }
    assert ingest("rebuild", place / "HERON", place / "OTTER").code == 0
    states = {one["roll"]: one["state"] for one in ingest("rolls", "--json").document["rolls"]}
    assert states == {"A003": "matched", "B001": "unverified"}
