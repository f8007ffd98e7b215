"""The client's proof as it is made, sent, and checked by somebody who has nothing but it and a
drive."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from fixtures.damage import flip_bit
from ingest.report.proof.document import json_schema
from ingest.report.proof.gather import prove
from ingest.report.proof.verify import systems
from tests.conftest import Runner
from tests.helpers import proofs

KEYGEN = shutil.which("ssh-keygen")


@pytest.fixture
def shot(
    ingest: Runner, card: Callable[[str], Path], drives: tuple[Path, Path], apart: None
) -> tuple[Path, Path]:
    """A roll of day 1 on two drives."""
    ran = ingest(
        "offload", card("DAY1/B001"), "--production", "Kestrel Quay", "--day", "1",
        "--to", drives[0], "--to", drives[1], "--checksum", "sha1", "--checksum", "md5",
    )  # fmt: skip
    assert ran.code == 0, ran.err
    return drives


@pytest.fixture
def sent(ingest: Runner, shot: tuple[Path, Path], desk: Path) -> Path:
    """The proof's folder."""
    ran = ingest("proof", "--out", desk / "proof")
    assert ran.code == 0, ran.err
    return desk / "proof"


def commands(folder: Path, system: str) -> list[str]:
    """What VERIFY.txt tells to type on a system: its lines of four blanks."""
    text = (folder / "VERIFY.txt").read_text()
    part = text.split(f"HOW TO CHECK IT YOURSELF: {system}\n")[1].split("\nHOW TO CHECK")[0]
    return [line[4:] for line in part.splitlines() if re.match(r"    \S", line)]


def with_coreutils_only(place: Path) -> Path:
    """A folder with the tools of GNU coreutils that check, to be the whole PATH."""
    tools = place / "coreutils"
    tools.mkdir()
    for name in ("md5sum", "sha1sum", "sha256sum", "sha512sum"):
        found = shutil.which(name)
        if found is None:
            pytest.skip("no GNU coreutils on this machine")
        (tools / name).symlink_to(found)
    return tools


def typed(lines: list[str], proof: Path, drive: Path, tools: Path) -> str:
    """The lines in a shell whose PATH is these tools alone; the first two say where things are."""
    assert lines[:2] == ["proof='/the/folder/of/this/file'", "drive='/the/drive'"]
    script = "\n".join([f"proof='{proof}'", f"drive='{drive}'", *lines[2:]])
    ran = subprocess.run(
        ["/bin/sh"], input=script.encode(), env={"PATH": str(tools)}, cwd="/", capture_output=True,
        check=False,
    )  # fmt: skip
    return (ran.stdout + ran.stderr).decode("utf-8", "replace")


def test_a_client_with_only_the_folder_and_a_drive_checks_both_without_python(
    sent: Path, shot: tuple[Path, Path], tmp_path: Path
) -> None:
    """Exactly what VERIFY.txt prints for Linux, with nothing but coreutils: first all is whole,
    then a bit goes bad on the drive, then in the folder."""
    tools = with_coreutils_only(tmp_path)
    drive = tmp_path / "CLIENT"
    shutil.copytree(shot[0], drive)
    lines = commands(sent, "LINUX")
    assert typed(lines, sent, drive, tools).splitlines() == ["ALL EQUAL", "ALL EQUAL"]
    clip = next(drive.rglob("C0002.MP4"))
    flip_bit(clip)
    said = typed(lines, sent, drive, tools)
    assert f"{clip.relative_to(drive).as_posix()}: FAILED" in said
    assert said.splitlines()[0] == "ALL EQUAL" and "NOT ALL EQUAL" in said
    clip.unlink()
    assert "NOT ALL EQUAL" in typed(lines, sent, drive, tools)
    flip_bit(sent / "proof.json")
    assert "proof.json: FAILED" in typed(lines, sent, drive, tools)
    assert "ALL EQUAL\n" not in typed(lines, sent, tmp_path / "not there", tools).replace(
        "NOT ALL EQUAL: see above\n", ""
    )


def test_what_macs_are_told_to_type_tells_whole_from_damaged(
    sent: Path, shot: tuple[Path, Path], tmp_path: Path
) -> None:
    """`shasum` is Perl's own, the same program as on a Mac; `md5 -q` is stood in for."""
    shasum = shutil.which("shasum")
    if shasum is None:
        pytest.skip("no shasum on this machine")
    perl = shutil.which("perl")
    tools = with_coreutils_only(tmp_path)
    (tools / "perl").symlink_to(perl or "")
    (tools / "shasum").symlink_to(shasum)
    (tools / "md5").write_text('#!/bin/sh\nset -- $(md5sum "$2")\necho "$1"\n')
    (tools / "md5").chmod(0o755)
    lines = commands(sent, "MACOS")
    assert any("shasum -a 1 " in line for line in lines)
    said = typed(lines, sent, shot[0], tools)
    assert said.splitlines().count("ALL EQUAL") == 2
    lines = [*lines[:2], loop_over_md5(13)]
    assert typed(lines, sent, shot[0], tools) == "ALL EQUAL\n"
    clip = next(shot[0].rglob("C0002.MP4"))
    flip_bit(clip)
    said = typed(lines, sent, shot[0], tools)
    assert f"NOT EQUAL: {clip.relative_to(shot[0]).as_posix()}" in said
    assert "ALL EQUAL\n" not in said.replace("NOT ALL EQUAL", "")


def loop_over_md5(files: int) -> str:
    """The line for a Mac where the files have no checksum that shasum knows."""
    footage = {f"CLIP/C{number:04}.MOV": b"x" for number in range(files)}
    facts = prove(proofs.intake(footage), proofs.records(proofs.intake(footage)), machine="cart-7")
    mac = next(one for one in systems(facts) if one.name == "macOS")
    return next(line for step in mac.steps for line in step.commands if "md5 -q" in line)


@pytest.mark.skipif(KEYGEN is None, reason="no ssh-keygen on this machine")
def test_the_signature_is_checked_by_the_line_that_verify_prints(
    ingest: Runner, shot: tuple[Path, Path], desk: Path, tmp_path: Path
) -> None:
    """OpenSSH's own ssh-keygen says good, and names the key that the mail names."""
    assert KEYGEN is not None
    key = tmp_path / "key"
    subprocess.run([KEYGEN, "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    ran = ingest("proof", "--out", desk / "signed", "--sign", key, "--json")
    signer = ran.document["signer"]
    tools = with_coreutils_only(tmp_path)
    (tools / "ssh-keygen").symlink_to(KEYGEN)
    said = typed(commands(desk / "signed", "LINUX"), desk / "signed", shot[1], tools)
    assert f'Good "ingest-proof" signature for proof with ED25519 key {signer}' in said
    assert signer in ran.document["mail"][1]
    whole = ingest("audit", shot[1], "--against", desk / "signed", "--signed-by", f"{key}.pub")
    assert whole.code == 0, whole.err
    other = ingest("audit", shot[1], "--against", desk / "signed", "--signed-by",
                   "SHA256:" + "A" * 43)  # fmt: skip
    assert other.code == 2 and "not with SHA256:AAA" in other.err


def test_against_a_proof_a_drive_is_read_with_no_catalog(
    program: Runner, sent: Path, shot: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A real program on another computer: whole, then one file damaged and one more."""
    monkeypatch.setenv("INGEST_CATALOG", "/nonexistent/catalog")
    ran = program("audit", shot[0], "--against", sent, "--json")
    assert ran.code == 0, ran.err
    assert ran.document["verdict"] == "matched"
    (roll,) = ran.document["drives"][0]["rolls"]
    assert (roll["roll"], roll["matched"], roll["files"]) == ("B001", 13, 13)
    clip = next(shot[0].rglob("C0002.MP4"))
    flip_bit(clip)
    (clip.parent / "MORE.MP4").write_bytes(b"not of it")
    ran = program("audit", shot[0], "--against", sent, "--json")
    assert ran.code == 3
    (problem,) = ran.document["problems"]
    assert problem["path"].endswith("C0002.MP4") and problem["state"] == "mismatch"
    assert [Path(path).name for path in ran.document["drives"][0]["unknown_files"]] == ["MORE.MP4"]


def test_against_a_proof_a_folder_copied_anywhere_is_found(
    ingest: Runner, sent: Path, shot: tuple[Path, Path], tmp_path: Path
) -> None:
    """A client copies the roll's folder to a computer; the folders above it are another's."""
    roll = next(shot[0].rglob("B001"))
    shutil.copytree(roll, tmp_path / "elsewhere" / "B001")
    for place in (tmp_path / "elsewhere", tmp_path / "elsewhere" / "B001"):
        ran = ingest("audit", place, "--against", sent)
        assert ran.code == 0, ran.out
        assert ran.out.startswith("AUDIT: ALL AS IN THE PROOF (13 files)")
    ran = ingest("audit", tmp_path / "cards", "--against", sent)
    assert ran.code == 2 and "Nothing that the proof names" in ran.err


def test_a_proof_that_was_changed_is_refused_before_a_file_is_read(
    ingest: Runner, sent: Path, shot: tuple[Path, Path]
) -> None:
    """Nothing is compared with what can't be believed."""
    flip_bit(sent / "footage.md5")
    ran = ingest("audit", shot[0], "--against", sent)
    assert ran.code == 2
    assert "changed: footage.md5" in ran.err and "Don't" in ran.err
    assert ran.out == ""


def test_the_answer_is_two_sentences_for_a_mail_then_what_to_do(
    ingest: Runner, shot: tuple[Path, Path], desk: Path
) -> None:
    """Printed, and the same in the document; a folder in use is never written over."""
    ran = ingest("proof", "--day", "1", "--drive", "heron", "--out", desk / "proof", "--redact")
    lines = ran.out.splitlines()
    assert ran.code == 0
    assert lines[0].startswith("As of ") and "every copy on HERON had been read again" in lines[0]
    assert lines[1].startswith("The folder ") and lines[2] == ""
    assert "OTTER" not in (desk / "proof" / "VERIFY.txt").read_text()
    again = ingest("proof", "--out", desk / "proof")
    assert again.code == 2 and "never written over" in again.err
    assert sorted(path.name for path in desk.iterdir()) == ["proof"]


def test_a_bad_copy_ends_with_3_and_is_named(
    ingest: Runner, shot: tuple[Path, Path], desk: Path
) -> None:
    """A proof may be sent with a problem in it, but not silently."""
    flip_bit(next(shot[1].rglob("C0002.MP4")))
    assert ingest("audit", shot[1], "--no-record").code == 3
    assert ingest("audit", shot[1]).code == 3
    ran = ingest("proof", "--out", desk / "proof", "--json")
    assert ran.code == 3
    assert ran.document["verdict"] == "problem"
    (found,) = ran.document["findings"]
    assert (found["drive"], found["state"]) == ("OTTER", "mismatch")


def test_the_document_is_the_one_in_the_folder(
    ingest: Runner, shot: tuple[Path, Path], desk: Path
) -> None:
    """`--json` tells what proof.json holds, and where it was written; both fit the schema."""
    ran = ingest("proof", "--out", desk / "proof", "--json")
    held = json.loads((desk / "proof" / "proof.json").read_text())
    assert {key: ran.document[key] for key in held} == held
    judge = Draft202012Validator(json_schema())
    judge.validate(held)
    judge.validate(ran.document)
    assert sorted(ran.document["written"]) == sorted(
        os.fspath(path) for path in (desk / "proof").rglob("*") if path.is_file()
    )


def test_without_a_typesetter_the_rest_is_there_and_it_is_said(
    ingest: Runner, shot: tuple[Path, Path], desk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit 4, as a report without its PDF; nothing in the folder speaks of one."""
    monkeypatch.setattr("ingest.report.typesetting.installed", lambda: False)
    ran = ingest("proof", "--out", desk / "proof")
    assert ran.code == 4
    assert "The PDF can't be set" in ran.out
    assert not (desk / "proof" / "proof.pdf").exists()
    assert "proof.pdf" not in (desk / "proof" / "VERIFY.txt").read_text()


def test_when_a_roll_was_renamed_then_an_older_proof_still_finds_it_and_says_so(
    ingest: Runner, sent: Path, shot: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read and compared where its hash list says that it lies, with no catalog; a damaged file is
    told as damaged, not as all of them missing."""
    assert ingest("rolls", "set", "B001", "--roll", "B007").code == 0
    monkeypatch.setenv("INGEST_CATALOG", "/nonexistent/catalog")
    ran = ingest("audit", shot[0], "--against", sent)
    assert ran.code == 0, ran.err
    first, *rest = ran.out.splitlines()
    assert first == "AUDIT: ALL AS IN THE PROOF, BUT FOR NAMES OF FOLDERS (13 files)"
    (said,) = [line for line in rest if line.startswith("  ! B001 doesn't lie where")]
    assert "/B001. By its hash list it is " in said and "/B007, renamed since" in said
    assert any("Do: ask the sender for a proof made after that" in line for line in rest)
    flip_bit(next(shot[0].rglob("C0002.MP4")))
    next(shot[0].rglob("C0003.MP4")).unlink()
    ran = ingest("audit", shot[0], "--against", sent, "--json")
    assert ran.code == 3
    states = {Path(one["path"]).name: one["state"] for one in ran.document["problems"]}
    assert states == {"C0002.MP4": "mismatch", "C0003.MP4": "missing"}
    (roll,) = ran.document["drives"][0]["rolls"]
    assert roll["folder"].endswith("/B007") and roll["folder_in_proof"].endswith("/B001")


def test_when_a_roll_is_renamed_then_what_was_handed_out_of_it_is_named(
    ingest: Runner, sent: Path, shot: tuple[Path, Path], desk: Path
) -> None:
    """With the old and the new name and what to do; a new proof says what it takes the place of,
    and a report written anew is no older one any more."""
    assert ingest("report", "--out", desk / "report").code in (0, 3)
    ran = ingest("rolls", "set", "B001", "--roll", "B007")
    lines = ran.out.splitlines()
    assert any(f"has old names: {sent}" in line for line in lines)
    assert any(line.endswith("/B007 now") and "/B001 is called " in line for line in lines)
    assert any("Do: make another (ingest proof --out NEW)" in line for line in lines)
    assert f"  Do: ingest report --out {desk / 'report'} writes it anew" in lines
    assert ingest("report", "--out", desk / "report").code in (0, 3)
    ran = ingest("proof", "--out", desk / "second", "--json")
    (old,) = ran.document["replaces"]
    assert (old["kind"], old["folder"]) == ("proof", str(sent))
    assert old["names"][0]["now"].endswith("/B007")
    ran = ingest("rolls", "set", "B007", "--hold", "a client asks", "--json")
    assert ran.document["papers_with_old_names"] == [], "nothing was renamed"


def test_against_a_proof_a_drive_may_be_named(
    ingest: Runner, sent: Path, shot: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As everywhere: by the name that the catalog knows. Without one it says what is missing."""
    ran = ingest("audit", "heron", "--against", sent)
    assert ran.code == 0 and "HERON (" in ran.out, ran.err
    ran = ingest("audit", "SWIFT", "--against", sent)
    assert ran.code == 2 and "No drive is known as SWIFT" in ran.err
    monkeypatch.setenv("INGEST_CATALOG", "/nonexistent/catalog")
    ran = ingest("audit", "heron", "--against", sent)
    assert ran.code == 2 and "no catalog here" in ran.err and "Do: " in ran.err
    assert not Path("/nonexistent").exists()


def test_a_drive_that_was_given_less_is_checked_for_what_it_holds(
    ingest: Runner, shot: tuple[Path, Path], card: Callable[[str], Path], desk: Path, tmp_path: Path
) -> None:
    """Day 2 went to another pair of drives. Each drive's own list is whole on it, by the page's own
    line and by `audit --against`, which says what lies elsewhere; what is gone is told as gone."""
    swift = tmp_path / "SWIFT"
    swift.mkdir()
    ran = ingest(
        "offload", card("DAY1/STILLS"), "--production", "Kestrel Quay", "--day", "1",
        "--to", shot[0], "--to", swift, "--checksum", "sha1", "--checksum", "md5",
    )  # fmt: skip
    assert ran.code == 0, ran.err
    assert ingest("proof", "--out", desk / "both").code == 0
    tools = with_coreutils_only(tmp_path)
    steps = commands(desk / "both", "LINUX")
    for drive, files, elsewhere in ((shot[0], 17, 0), (shot[1], 13, 4), (swift, 4, 13)):
        ran = ingest("audit", drive, "--against", desk / "both")
        assert ran.code == 0, ran.out
        assert ran.out.startswith(f"AUDIT: ALL AS IN THE PROOF ({files} files)")
        assert (f"{elsewhere} files more of the proof are on other drives" in ran.out) == bool(
            elsewhere
        )
        lines = [[*steps[:3], line] for line in steps[3:]]
        whole = [typed(one, desk / "both", drive, tools).splitlines()[-1] for one in lines]
        assert "ALL EQUAL" in whole
    next(one for one in next(swift.rglob("P001")).rglob("*.JPG")).unlink()
    ran = ingest("audit", swift, "--against", desk / "both")
    assert ran.code == 3 and "P001: 4 files, 3 matched, 1 missing" in ran.out
    # Copied to a computer, no marker tells which drive it was: nothing may be called whole then.
    shutil.rmtree(next(shot[0].rglob("P001")))
    shutil.copytree(next(shot[0].glob("Kestrel*")), tmp_path / "copy")
    ran = ingest("audit", tmp_path / "copy", "--against", desk / "both")
    assert ran.code == 3 and "P001: 4 files, 4 missing" in ran.out
