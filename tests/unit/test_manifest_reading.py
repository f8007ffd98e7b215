"""Hash lists from strangers: what is read, what is remarked on, what is refused."""

from __future__ import annotations

import unicodedata
from datetime import UTC, datetime

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ingest.manifest import strangers
from ingest.manifest.model import Action, BadManifest, EntryHash
from ingest.manifest.reading import read_chain, read_manifest
from ingest.manifest.values import digest, moment

C4 = "c418T9ncneEGEMT5NopfHGRPRBAuoxwYkP6w5S8xChNBYnFMZ4AknVurpwxTPsUouLtF9NGyxMBsZTDBEEpL3JdHoG"
INFO = (
    "<creatorinfo><creationdate>2031-05-04T19:30:00Z</creationdate><hostname>cart</hostname>"
    "<tool>other</tool></creatorinfo><processinfo><process>in-place</process></processinfo>"
)
XXH64 = '<xxh64 action="original">0ea03b369a463d9d</xxh64>'
REFERENCE = f"<hashlistreference><path>B/ascmhl/0001.mhl</path><c4>{C4}</c4></hashlistreference>"


def is_one_safe_line(text: str) -> bool:
    """No line end and no control character; letters nobody has assigned yet do no harm."""
    return not any(unicodedata.category(one) in ("Cc", "Cs", "Zl", "Zp") for one in text)


def a_list(
    hashes: str, *, info: str = INFO, more: str = "", version: str = ' version="2.0"'
) -> bytes:
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><hashlist xmlns="urn:ASC:MHL:v2.0"{version}>'
        f"{info}<hashes>{hashes}</hashes>{more}</hashlist>"
    ).encode()


def a_file(path: str = "A/clip.mov", hashes: str = XXH64, attributes: str = ' size="5"') -> str:
    return f"<hash><path{attributes}>{path}</path>{hashes}</hash>"


def a_chain(*lines: tuple[object, str, str]) -> bytes:
    inner = "".join(
        f'<hashlist sequencenr="{n}"><path>{path}</path><c4>{c4}</c4></hashlist>'
        for n, path, c4 in lines
    )
    return f'<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">{inner}</ascmhldirectory>'.encode()


# --- what is read


def test_children_are_taken_by_name_in_any_order() -> None:
    """The standard's text and its schema order them differently."""
    data = (
        b'<m:hashlist xmlns:m="urn:ASC:MHL:v2.0" version="2.0"><m:metadata/>'
        b'<m:hashes><m:hash><m:xxh64 action="verified">0EA03B369A463D9D</m:xxh64>'
        b"<m:path>x</m:path></m:hash></m:hashes>"
        b"<m:processinfo><m:process>transfer</m:process></m:processinfo></m:hashlist>"
    )
    (entry,) = read_manifest(data).hash_list.entries
    assert entry.path == "x"
    assert entry.hashes == (EntryHash("xxh64", "0ea03b369a463d9d", Action.VERIFIED),)


def test_metadata_of_any_shape_is_skipped() -> None:
    """Also when it holds what looks like entries (section 6.5.6 allows anything)."""
    inside = f'<hashes>{a_file("not/this")}</hashes><x:y xmlns:x="urn:x" version="9">text</x:y>'
    metadata = f'<metadata a="b">text{inside}</metadata>'
    entry = f"<hash><path>A</path>{XXH64}{metadata}</hash>"
    read = read_manifest(a_list(entry + "<unknown><hash/></unknown>", more=metadata))
    assert [one.path for one in read.hash_list.entries] == ["A"]
    assert read.remarks == ()


def test_references_without_hashes_are_read() -> None:
    """A parent with nothing but nested histories is legal by the text (section 6.4.1)."""
    read = read_manifest(a_list("", more=f"<references>{REFERENCE}</references>"))
    assert [(one.path, one.c4) for one in read.hash_list.references] == [("B/ascmhl/0001.mhl", C4)]


def test_a_folders_trailing_slash_goes_and_a_rename_is_read() -> None:
    """Appendix B writes `Clips/`, section 6.5.2 `Clips_0001`."""
    folder = (
        "<directoryhash><path>Clips/</path><content/><structure/>"
        "<previousPath>Clips_0001/</previousPath></directoryhash>"
    )
    (found,) = read_manifest(a_list(folder)).hash_list.folders
    assert (found.path, found.previous_path) == ("Clips", "Clips_0001")


def test_a_digest_broken_over_lines_is_joined_and_a_path_is_left_alone() -> None:
    """The printed examples break long values; white space in a path counts."""
    broken = f'<c4 action="original">\n {C4[:40]}\n   {C4[40:]} </c4>'
    (entry,) = read_manifest(a_list(a_file(" a\n", broken))).hash_list.entries
    assert entry.hashes[0].digest == C4
    assert entry.path == " a\n"


def test_missing_parts_are_remarked_on_and_never_taken_as_good() -> None:
    """No creator, no process, no action, no digest: read, and said."""
    entries = a_file("A", "<xxh64>0ea03b369a463d9d</xxh64>") + a_file("B", "")
    read = read_manifest(a_list(entries, info=""))
    assert read.hash_list.process is None
    assert read.hash_list.creator.created is None
    assert read.hash_list.entries[0].hashes[0].action is None
    assert read.hash_list.entries[1].hashes == ()
    said = "\n".join(read.remarks)
    assert "no action" in said
    assert "B has no digest" in said


@pytest.mark.parametrize(
    "wrong",
    [
        "0ea03b369a463d9",
        "0ea03b369a463d9g",
        "",
        "0ea03b369a463d9d0",
        "<b>0ea03b369a463d9d</b>",
        "٠" * 16,
    ],
)
def test_a_digest_that_is_none_is_dropped_and_said(wrong: str) -> None:
    """What is dropped can never match, so nothing is claimed."""
    read = read_manifest(a_list(a_file("A", f'<xxh64 action="original">{wrong}</xxh64>')))
    assert read.hash_list.entries[0].hashes == ()
    assert "xxh64 of A is none" in read.remarks[0]


def test_a_path_listed_twice_is_kept_only_where_both_agree() -> None:
    """Section 6.4.9 forbids it; a contradiction can't be verified."""
    other = XXH64.replace("0ea0", "1ea0")
    read = read_manifest(a_list(a_file("A") + a_file("B") + a_file("A") + a_file("B", other)))
    assert {one.path: len(one.hashes) for one in read.hash_list.entries} == {"A": 1, "B": 0}
    assert len(read.remarks) == 2
    third = read_manifest(a_list(a_file("B") + a_file("B", other) + a_file("B")))
    assert [one.hashes for one in third.hash_list.entries] == [()]


def test_a_path_listed_as_file_and_folder_is_not_verifiable() -> None:
    """One of the two is false, and the list doesn't say which."""
    folder = "<directoryhash><path>A</path><content/><structure/></directoryhash>"
    read = read_manifest(a_list(a_file("A") + folder))
    assert read.hash_list.folders == ()
    assert read.hash_list.entries[0].hashes == ()
    assert "as a file and as a folder" in read.remarks[0]


def test_a_kind_given_twice_for_one_file_is_dropped() -> None:
    """Each format once an entry (Appendix A)."""
    read = read_manifest(a_list(a_file("A", XXH64 + XXH64.replace("0ea0", "1ea0"))))
    assert read.hash_list.entries[0].hashes == ()
    assert "more than one xxh64" in read.remarks[0]


def test_remarks_have_an_end() -> None:
    """A hostile list can't fill the memory with them."""
    read = read_manifest(a_list("".join(a_file(f"f{n}", "") for n in range(1000))))
    assert len(read.remarks) < 300
    assert "more" in read.remarks[-1]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2019-10-11T15:56:03Z", datetime(2019, 10, 11, 15, 56, 3, tzinfo=UTC)),
        ("2019-10-11T15:56:03", datetime(2019, 10, 11, 15, 56, 3)),
        (" 2019-10-11T15:56:03.1234567Z\n", datetime(2019, 10, 11, 15, 56, 3, 123456, UTC)),
        ("2019-10-11T24:00:00Z", datetime(2019, 10, 12, tzinfo=UTC)),
        ("2019-13-11T15:56:03Z", None),
        ("2019-10-11T15:56:60Z", None),
        ("2019-10-11T15:56:03+15:00", None),
        ("99999-10-11T15:56:03Z", None),
        ("yesterday", None),
        ("", None),
    ],
)
def test_times_are_read_as_xml_schema_has_them(text: str, expected: datetime | None) -> None:
    """XML Schema 1.0 part 2, section 3.2.7; no zone stays no zone."""
    assert moment(text) == expected


def test_a_time_that_is_none_is_said() -> None:
    """It never fails a list: times prove nothing."""
    read = read_manifest(a_list(a_file(attributes=' lastmodificationdate="soon"')))
    assert read.hash_list.entries[0].mtime is None
    assert "soon" in read.remarks[0]


@pytest.mark.parametrize("kind", ["md5", "sha1", "sha256", "xxh64", "xxh3", "xxh128"])
def test_digests_have_the_length_of_their_kind(kind: str) -> None:
    """ASC MHL v1.0 Appendix D, by its examples."""
    length = {"md5": 32, "sha1": 40, "sha256": 64, "xxh64": 16, "xxh3": 16, "xxh128": 32}[kind]
    assert digest(kind, "AB" * (length // 2)) == "ab" * (length // 2)
    assert digest(kind, "a" * (length - 1)) is None


def test_a_c4_that_stands_for_too_much_is_none() -> None:
    """58^88 is more than 2^512: not every 88 characters are a digest."""
    assert digest("c4", C4) == C4
    assert digest("c4", "c4" + "z" * 88) is None
    assert digest("c4", C4.lower()) is None


# --- what is refused


@pytest.mark.parametrize(
    "path", ["/etc/passwd", "../up", "a/../../b", "", "a//b", "./a", "a/.", "a/", "x" * 40_000]
)
def test_a_path_that_could_lead_elsewhere_refuses_the_list(path: str) -> None:
    """Section 6.4.8: relative, most direct, no `..`. For files, renames, references and folders."""
    folder = f"<directoryhash><path>{path}/</path><content/><structure/></directoryhash>"
    renamed = a_file("A", f"{XXH64}<previousPath>{path}</previousPath>")
    reference = f"<hashlistreference><path>{path}</path><c4>{C4}</c4></hashlistreference>"
    for data in (
        a_list(a_file(path)),
        a_list(renamed),
        a_list(a_file(), more=f"<references>{reference}</references>"),
    ):
        with pytest.raises(BadManifest) as caught:
            read_manifest(data, "0001_A.mhl")
        assert caught.value.what.startswith("0001_A.mhl: ")
        assert "\n" not in caught.value.what
    if not path.endswith("a"):
        with pytest.raises(BadManifest):
            read_manifest(a_list(folder.replace("//", "/../")))


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "well-formed"),
        (b"not xml", "well-formed"),
        (b"<\xce\x80\x01", "well-formed"),  # found by the fuzzing below
        (a_list(a_file())[:-20], "well-formed"),
        (a_list(a_file()) + b"<more/>", "well-formed"),
        (b"\xff\xfe" + "<hashlist/>".encode("utf-16-le"), "UTF-8"),
        (a_list(a_file("\x00A")), "well-formed"),
        (a_list(a_file("A&#0;B")), "well-formed"),
        (a_list(a_file("A&x;B")), "well-formed"),
        (b"<hashlist/>", "no hash list"),
        (b'<hashlist version="2.0" xmlns="urn:ASC:MHL:DIRECTORY:v2.0"/>', "no hash list"),
        (b'<hash xmlns="urn:ASC:MHL:v2.0"><path>A</path></hash>', "no hash list"),
        (a_list(a_file(), version=' version="1.1"'), "version"),
        (a_list(a_file(), version=""), "version"),
        (a_list(""), "nothing"),
        (a_list("<hash/>"), "no path"),
        (a_list(a_file("A<b/>")), "holds elements"),
        (a_list(a_file(attributes=' size="-1"')), "size"),
        (a_list(a_file(attributes=' size="big"')), "size"),
        (a_list(a_file(attributes=f' size="{"9" * 5000}"')), "size"),
        (
            a_list(
                a_file(),
                more="<references><hashlistreference><path>A</path><c4>x</c4></hashlistreference></references>",
            ),
            "C4",
        ),
        (a_list("<a>" * 5000 + "</a>" * 5000), "well-formed"),
    ],
)
def test_what_is_no_hash_list_is_refused_in_one_line(data: bytes, why: str) -> None:
    """Each refusal is one clear line."""
    with pytest.raises(BadManifest, match=why) as caught:
        read_manifest(data)
    assert is_one_safe_line(caught.value.what)


BOMB = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 12))


@pytest.mark.parametrize(
    "declared",
    [
        f'<!DOCTYPE hashlist [<!ENTITY e0 "boom">{BOMB}]>',
        '<!DOCTYPE hashlist [<!ENTITY x SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE hashlist SYSTEM "http://localhost:9/x.dtd">',
        "<!DOCTYPE hashlist>",
    ],
)
def test_a_document_type_is_refused_before_it_is_read(declared: str) -> None:
    """No entity is expanded, no file or address opened."""
    body = a_list(a_file("&x;")).decode().replace("?><", f"?>{declared}<")
    with pytest.raises(BadManifest, match="document type"):
        read_manifest(body.encode())


def test_a_declared_encoding_can_hide_nothing() -> None:
    """The bytes are read as UTF-8 whatever the declaration says (section 6.2)."""
    hidden = "+ADwAIQ-DOCTYPE x+AD4-"
    data = a_list(a_file(f"A{hidden}")).replace(b"UTF-8", b"UTF-7")
    assert read_manifest(data).hash_list.entries[0].path == f"A{hidden}"


def test_a_list_larger_than_the_limit_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before anything of it is parsed."""
    monkeypatch.setattr(strangers, "MAX_BYTES", 100)
    with pytest.raises(BadManifest, match="larger"):
        read_manifest(a_list(a_file()))


def test_a_refusal_shows_hostile_names_safely() -> None:
    """Line ends and direction marks in a path don't reach the screen as they are."""
    with pytest.raises(BadManifest) as caught:
        read_manifest(a_list(a_file("/a&#10;b\u202e")))
    assert is_one_safe_line(caught.value.what)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"<x/>",
        a_chain(),
        a_chain((1, "../0001.mhl", C4)),
        a_chain((1, "a/0001.mhl", C4)),
        a_chain((1, "/0001.mhl", C4)),
        a_chain((1, "", C4)),
        a_chain((1, "0001.mhl", "c4zz")),
        a_chain((1, "0001.mhl", C4)).replace(b"DIRECTORY:", b""),
        b"<!DOCTYPE x>" + a_chain((1, "0001.mhl", C4)),
    ],
)
def test_a_chain_that_could_mislead_is_refused(data: bytes) -> None:
    """A chain names files beside it, each with its C4 (section 7.4.2)."""
    with pytest.raises(BadManifest, match=r"^chain: "):
        read_chain(data, "chain")


def test_a_chain_without_numbers_is_read_by_place() -> None:
    """The schema leaves sequencenr optional, the text doesn't."""
    data = a_chain(("", "a.mhl", C4), ("x", "b.mhl", C4)).replace(b' sequencenr=""', b"")
    read = read_chain(data)
    assert [entry.sequence for entry in read.entries] == [1, 2]
    assert len(read.remarks) == 2


# --- fuzz: only BadManifest ever comes out

TAGS = [
    "hash", "hashes", "path", "content", "structure", "directoryhash",
    "metadata", "references", "hashlistreference", "previousPath", "processinfo",
    "creatorinfo", "roothash", "ignore", "hashlist", "xxh64",
]  # fmt: skip
pieces = st.sampled_from(
    [f"<{tag}>" for tag in TAGS]
    + [f"</{tag}>" for tag in TAGS]
    + [f"<{tag}/>" for tag in TAGS]
    + [
        '<path size="',
        '">',
        f"<c4>{C4}</c4>",
        XXH64,
        "<![CDATA[",
        "]]>",
        "<!--",
        "-->",
        "<?p ",
        "?>",
    ]
    + ["&amp;", "&#0;", "&lt;", "&e;", "<!DOCTYPE a>", "..", "/", "a", "\x00", " xmlns='x'"]
)


@settings(max_examples=400, deadline=None)
@given(st.one_of(st.text(), st.lists(pieces, max_size=20).map("".join)))
@example("<hashes><hash><path>a</path></hash></hashes><hash/>")
def test_whatever_stands_in_a_list_only_one_error_comes_out(inner: str) -> None:
    """Pieces of lists in any order, and any text."""
    head = '<hashlist xmlns="urn:ASC:MHL:v2.0" version="2.0">'
    for data in (f"{head}{inner}</hashlist>", f"{head}<hashes>{inner}</hashes></hashlist>"):
        only_bad_manifest(data.encode("utf-8", "surrogatepass"))


@settings(max_examples=400, deadline=None)
@given(st.data())
def test_whatever_bytes_change_only_one_error_comes_out(data: st.DataObject) -> None:
    """Real files with bytes cut out, put in and overwritten."""
    good = data.draw(
        st.sampled_from(
            [
                a_list(a_file() + a_file("B"), more=f"<references>{REFERENCE}</references>"),
                a_chain((1, "0001.mhl", C4), (2, "0002.mhl", C4)),
            ]
        )
    )
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(good)))
        end = data.draw(st.integers(start, min(len(good), start + 30)))
        good = good[:start] + data.draw(st.binary(max_size=8)) + good[end:]
    only_bad_manifest(good)


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_at_all_only_one_error_comes_out(data: bytes) -> None:
    """Not XML at all, most of the time."""
    only_bad_manifest(data)


def only_bad_manifest(data: bytes) -> None:
    for read in (read_manifest, read_chain):
        try:
            read(data, "x")
        except BadManifest as error:
            assert is_one_safe_line(error.what)
