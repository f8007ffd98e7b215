"""The proof as values and as a folder: what it says, what it leaves out, what a change does."""

from __future__ import annotations

import hashlib
import io
import json
import random
import re
import shutil
import subprocess
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
)
from jsonschema import Draft202012Validator
from lxml import etree
from pypdf import PdfReader

from ingest.checksums import c4_to_digest
from ingest.errors import NotKnown, UsageError
from ingest.evidence import State
from ingest.manifest.reading import read_manifest
from ingest.names import shown, to_bytes
from ingest.report.facts import IntakeFacts
from ingest.report.proof.document import FORMAT, facts_to_document, json_schema
from ingest.report.proof.facts import ProofFacts
from ingest.report.proof.folder import ProofFolder, build
from ingest.report.proof.gather import prove
from ingest.report.proof.reading import BadProof, read_proof
from ingest.report.proof.signature import Key
from ingest.report.proof.words import headline, mail, missing_kinds, todays
from tests.helpers import proofs

HOSTILE = {
    "a\nb.mov": b"1",
    "esc\x1b[2J.mov": b"2",
    "</code><script>document.title='hurt'</script>.mov": b"3",
    "=cmd|' /C calc'!A0.mov": b"4",
    "-rf.mov": b"5",
    "gpj.\u202evom": b"6",
    "caf\udce9.mov": b"7",
    "第三場 🎬.mov": b"8",
    "مشهد.mov": b"9",
    "back\\slash.mov": b"10",
    "n" * 200 + ".mov": b"11",
    "$(touch hurt) `touch hurt`.mov": b"12",
    "#panic(1) $x$ *b*.mov": b"13",
}


@cache
def a_key() -> Key:
    private = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    return Key(private.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption()))


def proved(facts: IntakeFacts, **options: object) -> ProofFacts:
    later = options.pop("later", frozenset())
    told = proofs.records(facts, later)  # type: ignore[arg-type]
    return prove(facts, told, machine="cart-7", **options)  # type: ignore[arg-type]


@cache
def usual() -> ProofFolder:
    """A signed proof whose files have md5 only, PDF and all."""
    return build(proved(proofs.intake()), key=a_key())


def standard(name: str) -> etree.XMLSchema:
    path = Path(__file__).parents[2].parent / "shared" / "standards" / name
    if not path.exists():
        pytest.skip("the standard's schemas do not lie beside the checkout")
    return etree.XMLSchema(etree.parse(str(path)))


def pdf_text(folder: ProofFolder) -> str:
    reader = PdfReader(io.BytesIO(folder.files["proof.pdf"]))
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


class _Texts(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


# What it says -------------------------------------------------------------------------------------


def test_the_headline_is_dated_and_names_what_was_compared() -> None:
    """Files, size, drives, route, against what, and when each was looked at."""
    said = headline(proved(proofs.intake()))
    assert said == (
        "As of 2026-03-16 09:00 UTC, of Salt and Lanterns, day 1 (3 files, 6 kB), every copy on "
        "HERON and OTTER had been read again after it was written, past the computer's cache, and "
        "was equal in length and checksum to what the card's reader gave; the last look at each "
        "was on 2026-03-14 23:00 UTC."
    )


@pytest.mark.parametrize("state", [one for one in State if one is not State.MATCHED])
def test_a_copy_that_is_not_known_to_be_equal_is_told_and_never_counted_good(state: State) -> None:
    """Bad, doubtful, unread and claimed copies alike, in every form."""
    facts = proofs.with_copy(proofs.intake(), "CLIP/C0002.MOV", "OTTER", state)
    proof = proved(facts)
    assert not proof.well
    assert "2 files were equal" in headline(proof)
    assert "1 thing is not as it should be and is named in this proof" in headline(proof)
    set_too = state is State.MISMATCH  # one of them is enough for the typesetter
    folder = build(proof, pdf=set_too)
    line = f"OTTER: A001/CLIP/C0002.MOV: {state}"
    texts = _Texts()
    texts.feed(folder.files["VERIFY.html"].decode())
    forms = [folder.files["VERIFY.txt"].decode(), " ".join(texts.texts)]
    for form in (*forms, *([pdf_text(folder)] if set_too else [])):
        assert line in " ".join(form.split())
    assert json.loads(folder.files["proof.json"])["verdict"] == "problem"


def test_a_file_with_no_copy_on_the_named_drive_is_told() -> None:
    """A drive that lacks one of the files can't be shown to hold all."""
    facts = proofs.intake()
    first = replace(facts.files[0], copies=facts.files[0].copies[1:])
    facts = replace(facts, files=(first, *facts.files[1:]))
    proof = proved(facts, drives=["heron"])
    assert [one.name for one in proof.drives] == ["HERON"]
    assert [(one.what, one.state) for one in proof.findings] == [("A001/CLIP/C0001.MOV", "missing")]
    with pytest.raises(NotKnown):
        proved(facts, drives=["PUFFIN"])


def test_a_drive_that_is_dead_or_lost_is_left_out_and_when_named_shows_nothing() -> None:
    """What was seen of it once says nothing of footage that nobody can reach."""
    facts = proofs.intake()
    lost = replace(facts.drives[1], gone=True, proven=0, discounted=3)
    files = tuple(
        replace(file, copies=(file.copies[0], replace(file.copies[1], counts=False)))
        for file in facts.files
    )
    facts = replace(facts, drives=(facts.drives[0], lost), files=files)
    assert [drive.name for drive in proved(facts).drives] == ["HERON"]
    assert proved(facts).well
    named = proved(facts, drives=["OTTER"])
    assert [one.state for one in named.findings] == ["not counted"] * 3


def test_what_stayed_on_the_card_is_told() -> None:
    """A file that could not be read from the card is no file of the proof, and not silent."""
    facts = proofs.intake()
    bad = replace(facts.offloads[0], notes=(("unreadable", "CLIP/C0009.MOV", "I/O error"),))
    proof = proved(replace(facts, offloads=(bad,)))
    assert [(one.what, one.state) for one in proof.findings] == [
        ("A001/CLIP/C0009.MOV", "unreadable")
    ]


def test_two_sentences_for_a_mail_and_what_would_make_it_todays() -> None:
    """Which drive to plug in, and how long reading it takes, where the evidence is of yesterday."""
    proof = usual().facts
    first, second = mail(proof, "to-client")
    assert first == headline(proof)
    assert second.count(". ") == 0 and "VERIFY.html" in second and proof.signer in second
    assert todays(proof) == (
        (
            "To make it today's for HERON: it is plugged in; ingest audit HERON (6 kB, about 1 s "
            "at the 150 MB/s measured), then ingest proof again."
        ),
        (
            "To make it today's for OTTER: plug it in; ingest audit OTTER (6 kB, about 1 s at the "
            "150 MB/s measured), then ingest proof again."
        ),
    )


def test_the_word_safe_stands_in_no_form() -> None:
    """It says what was compared and when; what that is worth is for the reader to say."""
    folder = usual()
    for data in (*folder.files.values(), pdf_text(folder).encode()):
        assert not re.search(rb"\bsafe\b", data, re.IGNORECASE)


@pytest.mark.parametrize(
    ("kinds", "uncheckable", "unbound"),
    [
        (("xxh128",), 3, 3),
        (("xxh128", "md5"), 0, 3),
        (("sha1",), 0, 3),
        (("xxh128", "c4"), 0, 0),
        (("sha256",), 0, 0),
    ],
)
def test_what_the_checksums_can_show_is_said(
    kinds: tuple[str, ...], uncheckable: int, unbound: int
) -> None:
    """Only c4 and sha256 bind a signature; where a kind that the client's computer can check is
    missing, the reading that adds it is named with its time."""
    folder = build(proved(proofs.intake(kinds=kinds)), key=a_key(), pdf=False)
    proof = folder.facts
    assert (proof.uncheckable, proof.unbound) == (uncheckable, unbound)
    said = " ".join(missing_kinds(proof))
    assert ("no checksum that a computer can check" in said) == bool(uncheckable)
    text = " ".join(folder.files["VERIFY.txt"].decode().split())
    assert ("accidental damage, not tampering" in text) == bool(unbound)
    if said:
        assert "ingest audit HERON --checksum c4" in said and "about 1 s" in said


def test_without_a_signature_it_never_speaks_of_tampering_as_shown() -> None:
    """Strong checksums alone bind nothing: who changes a file changes them too."""
    text = build(proved(proofs.intake(kinds=("sha256",))), pdf=False).files["VERIFY.txt"].decode()
    assert "It is not signed: it shows accidental damage, not tampering" in " ".join(text.split())


def test_redacting_leaves_out_people_takes_and_notes_and_keeps_file_names() -> None:
    """In every file of the folder, the PDF's text included; and says that names stay."""
    secret = ("12A", "Lena", "Ines", "Marlow", "cart-7")
    folder = build(proved(proofs.intake(), redact=True))
    everything = b"".join(folder.files.values()).decode("utf-8", "replace") + pdf_text(folder)
    assert not [word for word in secret if word in everything]
    assert "C0001.MOV" in everything and "Names of files are not" in everything
    open_one = build(proved(proofs.intake()))
    told = b"".join(open_one.files.values()).decode("utf-8", "replace") + pdf_text(open_one)
    assert not [word for word in secret if word not in told]


# The lists ----------------------------------------------------------------------------------------


def test_the_hash_lists_and_their_collection_are_what_the_standard_wants() -> None:
    """ASC MHL v1.0: 5.6.7 (flatten), 6.4.6, 8.3 and the schemas of Appendix A and E."""
    proof = proved(proofs.intake(kinds=("xxh128", "md5", "c4")), later=frozenset({"c4"}))
    files = build(proof, pdf=False).files
    collection = etree.fromstring(files["ascmhl_collection.xml"])
    ((name, c4),) = [[child.text for child in entry] for entry in collection]
    assert name is not None and c4 is not None
    data = files[name]
    assert hashlib.sha512(data).digest() == c4_to_digest(c4)
    given = read_manifest(data).hash_list
    assert str(given.process) == "flatten"
    assert {one.path for one in given.entries} == set(proofs.FOOTAGE)
    for one in given.entries:
        assert {(h.kind, str(h.action)) for h in one.hashes} == {
            ("c4", "verified"), ("md5", "original"), ("xxh128", "original"),
        }  # fmt: skip
    standard("ascmhl-manifest.xsd").assertValid(etree.fromstring(data))
    standard("ascmhl-directory.xsd").assertValid(collection)


@pytest.mark.parametrize("kind", ["md5", "sha1", "sha256", "sha512"])
def test_the_checksum_files_are_read_by_coreutils(kind: str, tmp_path: Path) -> None:
    """GNU coreutils runs each from the drive's folder; hostile names among the files."""
    tool = shutil.which(f"{kind}sum")
    if tool is None:
        pytest.skip(f"no {kind}sum on this machine")
    footage = {**proofs.FOOTAGE, **HOSTILE}
    drive = proofs.write_drive(tmp_path / "HERON", footage)
    proof = proved(proofs.intake(footage, kinds=("md5", "sha1", "sha256", "c4")))
    folder = proofs.write_folder(tmp_path / "proof", build(proof, pdf=False).files)
    command = [tool, "--check", "--strict", str(folder / f"footage.{kind}")]
    ran = subprocess.run(command, cwd=drive, capture_output=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert len(ran.stdout.splitlines()) == len(footage)


def test_drives_that_are_laid_out_otherwise_have_lists_of_their_own(tmp_path: Path) -> None:
    """A list's paths must be those of the drive that it is run on."""
    facts = proofs.intake()
    files = tuple(
        replace(
            file,
            copies=(file.copies[0], replace(file.copies[1], path=f"elsewhere/{file.path}")),
        )
        for file in facts.files
    )
    folder = build(proved(replace(facts, files=files)), pdf=False)
    assert [layout.drives for layout in folder.facts.layouts] == [("HERON",), ("OTTER",)]
    assert b"elsewhere/CLIP/C0001.MOV" in folder.files["footage-2.md5"]
    assert "(laid out like OTTER)" in folder.files["VERIFY.txt"].decode()


# Hostile names ------------------------------------------------------------------------------------


def test_hostile_names_are_harmless_and_shown_in_every_form() -> None:
    """Line ends, escape codes, markup, formulas, options, bidi, bytes that are no text, and
    commands of a shell: from file, note, roll, clip and drive alike."""
    names = list(HOSTILE)
    facts = proofs.intake(HOSTILE)
    clips = tuple(replace(facts.clips[0], name=f"A001/{name}") for name in names)
    bad = tuple(
        replace(file, copies=tuple(replace(c, state=State.MISMATCH) for c in file.copies))
        for file in facts.files
    )
    folder = build(proved(replace(facts, clips=clips, files=bad), note=names[2]))
    page = _Texts()
    page.feed(folder.files["VERIFY.html"].decode())
    text, html = folder.files["VERIFY.txt"].decode(), "".join(page.texts)
    document = json.loads(folder.files["proof.json"])
    assert "script" not in page.tags and "img" not in page.tags
    pdf = "".join(pdf_text(folder).split())
    for name in names:
        # Text is wrapped between words, never inside a name's own parts.
        assert "".join(shown(name).split()) in "".join(text.split())
        assert shown(name) in html
        if shown(name).isascii():
            assert "".join(shown(name).split()) in pdf
        assert name in [file["path"] for file in document["files"]]
    for form in (text, html):
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u202e]", form)
    assert all(name == shown(name) for name in folder.files)


def test_a_name_that_xml_cannot_hold_is_in_the_plain_lists_and_told() -> None:
    """ASC MHL can't write it; nothing is left out silently."""
    folder = build(proved(proofs.intake(HOSTILE)), pdf=False)
    assert "A001/caf\udce9.mov" in folder.not_listed
    assert to_bytes("caf\udce9.mov") in folder.files["footage.md5"]


# Reading one --------------------------------------------------------------------------------------


def test_a_proof_as_it_was_made_is_read(tmp_path: Path) -> None:
    """Files, sizes, checksums and places come out as they went in."""
    folder = proofs.write_folder(tmp_path / "proof", usual().files)
    given = read_proof(str(folder), signer=a_key().fingerprint)
    assert given.signer == a_key().fingerprint and not given.shows_tampering
    assert {one.path: one.size for one in given.files} == {
        path: len(data) for path, data in proofs.FOOTAGE.items()
    }
    (folder / ".DS_Store").write_bytes(b"left by a file browser")
    read_proof(str(folder))


@pytest.mark.parametrize("signed", [True, False])
def test_one_byte_changed_anywhere_is_found(signed: bool, tmp_path: Path) -> None:
    """Every file of the proof, its first, last and some bytes between, one bit each; also one byte
    more and one less. The list and its signature are files of it too."""
    chance = random.Random(20260314)
    folder = usual() if signed else build(proved(proofs.intake()))
    place = proofs.write_folder(tmp_path / "proof", folder.files)
    for name, data in folder.files.items():
        spots = {0, len(data) - 1, *(chance.randrange(len(data)) for _ in range(12))}
        changes = [
            data[:spot] + bytes([data[spot] ^ 1 << chance.randrange(8)]) + data[spot + 1 :]
            for spot in sorted(spots)
        ]
        for changed in (*changes, data + b"\n", data[:-1]):
            (place / name).write_bytes(changed)
            with pytest.raises(UsageError):
                read_proof(str(place))
        (place / name).write_bytes(data)
    read_proof(str(place))


def test_a_file_gone_or_added_is_found_and_named(tmp_path: Path) -> None:
    """Every file of it, the signature and its key among them."""
    files = usual().files
    place = proofs.write_folder(tmp_path / "proof", files)
    for name, data in files.items():
        (place / name).unlink()
        with pytest.raises(BadProof):
            read_proof(str(place))
        (place / name).write_bytes(data)
    (place / "manifests" / "more.mhl").write_bytes(b"")
    with pytest.raises(BadProof, match=r"manifests/more\.mhl"):
        read_proof(str(place))


def test_a_proof_made_anew_by_somebody_else_is_refused_when_the_key_is_known(
    tmp_path: Path,
) -> None:
    """Whoever changes everything, lists and all, can't sign it with the sender's key."""
    place = proofs.write_folder(tmp_path / "proof", build(proved(proofs.intake()), pdf=False).files)
    with pytest.raises(BadProof, match="is not signed"):
        read_proof(str(place), signer=a_key().fingerprint)
    other = Ed25519PrivateKey.from_private_bytes(bytes(32))
    forger = Key(other.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption()))
    forged = build(proved(proofs.intake()), key=forger, pdf=False).files
    place = proofs.write_folder(tmp_path / "forged", forged)
    with pytest.raises(BadProof, match="not with"):
        read_proof(str(place), signer=a_key().fingerprint)


def test_paths_that_lead_out_of_the_drive_are_refused(tmp_path: Path) -> None:
    """A proof is a stranger's file to whoever receives it."""
    from ingest.report.proof.folder import digest_list

    files = dict(build(proved(proofs.intake()), pdf=False).files)
    for evil in ("../../etc/passwd", "/etc/passwd"):
        told = json.loads(files["proof.json"])
        told["layouts"][0]["paths"]["A001/CLIP/C0001.MOV"] = evil
        changed = {**files, "proof.json": json.dumps(told).encode()}
        changed["proof.sha256"] = digest_list(changed)
        place = proofs.write_folder(tmp_path / evil.replace("/", "-"), changed)
        with pytest.raises(BadProof):
            read_proof(str(place))


# The forms agree ----------------------------------------------------------------------------------


def test_pdf_page_text_and_document_tell_the_same(tmp_path: Path) -> None:
    """The PDF read back by pypdf, against the facts and the other forms."""
    folder = usual()
    proof = folder.facts
    page = _Texts()
    page.feed(folder.files["VERIFY.html"].decode())
    forms = [
        pdf_text(folder),
        " ".join("".join(page.texts).split()),
        " ".join(folder.files["VERIFY.txt"].decode().split()),
    ]
    for form in forms:
        assert " ".join(headline(proof).split()) in form
        for drive in proof.drives:
            assert drive.name in form and f"{drive.matched} of {drive.files}" in form
    document = json.loads(folder.files["proof.json"])
    assert document["says"] == headline(proof)
    assert [roll["roll"] for roll in document["rolls"]] == ["A001"]
    assert "A-01" in forms[0] and "Ines Marlow on cart-7" in forms[0]
    assert "12A take 3, circled (Lena flubs the line)" in forms[0]
    assert folder.files["proof.sha256"].count(b"\n") == len(folder.files) - 2


# The published schema -----------------------------------------------------------------------------


def test_every_proof_fits_the_published_schema() -> None:
    """Signed and not, redacted, with findings, with hostile names; JSON text and back."""
    judge = Draft202012Validator(json_schema())
    bad = proofs.intake(HOSTILE)
    bad = replace(
        bad,
        files=tuple(
            replace(file, copies=tuple(replace(c, state=State.MISMATCH) for c in file.copies))
            for file in bad.files
        ),
    )
    for folder in (
        usual(),
        build(proved(proofs.intake(), redact=True), pdf=False),
        build(proved(proofs.intake(HOSTILE)), pdf=False),
        build(proved(bad, note="see below"), pdf=False),
    ):
        judge.validate(json.loads(folder.files["proof.json"]))


def test_the_published_schema_leaves_nothing_open() -> None:
    """JSON Schema 2020-12; a field that it doesn't know, or one left out, is refused."""
    schema = json_schema()
    Draft202012Validator.check_schema(schema)
    assert schema["properties"]["format"]["const"] == FORMAT
    judge = Draft202012Validator(schema)
    document = facts_to_document(usual().facts)
    assert judge.is_valid({**document, "written": ["proof/proof.json"]})
    assert not judge.is_valid({**document, "new": 1})
    for key, value in document.items():
        assert not judge.is_valid({each: document[each] for each in document if each != key})
        if not isinstance(value, list):
            continue
        for entry in value[:1]:
            assert not judge.is_valid({**document, key: [{**entry, "new": 1}]})
            for part in entry:
                rest = {each: entry[each] for each in entry if each != part}
                assert not judge.is_valid({**document, key: [rest]})
    assert not judge.is_valid({**document, "files": [{**document["files"][0], "size": "11"}]})
