"""Files into clips, by name alone.

Folder and object names: CIPA DC-009, as summarised publicly. Reel-and-clip names: ASC MHL v1.0
Appendix B. Companions beside clips and in sister folders: common practice, no source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.card.clips import ClipGroup, group, is_dcf_folder, is_dcf_name
from ingest.media.facts import ClipKind


def by_name(*paths: str) -> dict[str, ClipGroup]:
    grouping = group(paths)
    found = {clip.name: clip for clip in grouping.clips}
    assert len(found) == len(grouping.clips)
    return found


def test_files_of_one_stem_are_one_clip() -> None:
    """Metadata, LUT, sound, subtitles, thumbnail beside the picture."""
    files = ["C0001.MOV", "C0001.XML", "C0001.cube", "C0001.WAV", "C0001.SRT", "c0001.thm"]
    grouping = group(files)
    assert grouping.clips == (
        ClipGroup("C0001", ClipKind.PICTURE, ("C0001.MOV",), tuple(sorted(files[1:]))),
    )
    assert grouping.loose == ()


def test_companions_in_sister_folders_go_with_their_clip() -> None:
    """Stem and suffix: letter and two digits, also where the thumbnail is a picture itself."""
    clips = by_name(
        "P/CLIP/C0001.MP4",
        "P/CLIP/C0001M01.XML",
        "P/SUB/C0001S03.MP4",
        "P/THMBNL/C0001T01.JPG",
        "P/CLIP/C0002.MP4",
        "P/THMBNL/C0002T01.JPG",
    )
    assert clips["C0001"].companions == (
        "P/CLIP/C0001M01.XML",
        "P/SUB/C0001S03.MP4",
        "P/THMBNL/C0001T01.JPG",
    )
    assert clips["C0002"].companions == ("P/THMBNL/C0002T01.JPG",)


def test_channels_in_a_folder_audio_go_with_their_picture() -> None:
    """One file of sound for each channel: the picture's stem and two digits."""
    clips = by_name("V/VIDEO/0001AB.MXF", "V/AUDIO/0001AB00.MXF", "V/AUDIO/0001AB01.MXF")
    assert list(clips) == ["0001AB"]
    assert clips["0001AB"].spans == ("V/VIDEO/0001AB.MXF",)
    assert len(clips["0001AB"].companions) == 2


def test_sounds_in_a_folder_audio_without_pictures_stay_clips() -> None:
    """T0100 is no channel of the sound T01."""
    assert list(by_name("AUDIO/T01.WAV", "AUDIO/T0100.WAV")) == ["T01", "T0100"]


def test_a_proxy_beside_its_clip_is_a_companion() -> None:
    """By word, in a proxy folder, or as the smaller container of the same stem."""
    clips = by_name("A1.MOV", "A1_proxy.mp4", "A2.MOV", "Proxy/A2.MOV", "A3.MXF", "A3.MP4")
    assert list(clips) == ["A1", "A2", "A3"]
    assert clips["A1"].companions == ("A1_proxy.mp4",)
    assert clips["A2"].companions == ("Proxy/A2.MOV",)
    assert clips["A3"].spans == ("A3.MXF",)


def test_a_recording_in_a_proxy_folder_without_its_clip_is_a_clip_of_its_own() -> None:
    """Footage is never hidden by the name of its folder."""
    grouping = group(["SUB/C0009S03.MP4", "THMBNL/C0009T01.JPG"])
    assert [clip.spans for clip in grouping.clips] == [("SUB/C0009S03.MP4",)]
    assert grouping.loose == ("THMBNL/C0009T01.JPG",)


def test_raw_and_jpeg_of_one_still_are_one_picture() -> None:
    """The RAW is the recording, the JPEG goes with it."""
    clips = by_name("DCIM/100ABCDE/IMG_0001.JPG", "DCIM/100ABCDE/IMG_0001.DNG")
    assert clips["IMG_0001"].kind is ClipKind.STILL
    assert clips["IMG_0001"].spans == ("DCIM/100ABCDE/IMG_0001.DNG",)
    assert clips["IMG_0001"].companions == ("DCIM/100ABCDE/IMG_0001.JPG",)


def test_stills_in_dcf_folders_are_no_sequence() -> None:
    """CIPA DC-009 objects are numbered pictures, each its own."""
    files = [f"DCIM/100ABCDE/IMG_{number:04}.JPG" for number in range(1, 9)]
    assert len(group(files).clips) == 8


def test_names_that_repeat_on_a_card_get_their_folder() -> None:
    """CIPA DC-009: after 9999 the count starts again in a new folder; companions stay near."""
    clips = by_name(
        "DCIM/100ABCDE/IMG_0001.JPG", "DCIM/101ABCDE/IMG_0001.JPG", "DCIM/101ABCDE/IMG_0001.XMP"
    )
    assert set(clips) == {"100ABCDE/IMG_0001", "101ABCDE/IMG_0001"}
    assert clips["100ABCDE/IMG_0001"].companions == ()
    assert clips["101ABCDE/IMG_0001"].companions == ("DCIM/101ABCDE/IMG_0001.XMP",)


def test_names_are_told_apart_by_as_many_folders_as_it_takes() -> None:
    """Also when two folders have one name, or only letters' case differs."""
    assert set(by_name("X/1/C.MOV", "Y/1/C.MOV", "C.MOV")) == {"X/1/C", "Y/1/C", "C"}
    assert set(by_name("C.MOV", "C.mov")) == {"C.MOV", "C.mov"}


def test_a_companion_that_two_clips_could_own_is_loose() -> None:
    """It is never guessed."""
    grouping = group(["X/C1.MOV", "Y/C1.MOV", "Z/C1.XML"])
    assert grouping.loose == ("Z/C1.XML",)


def test_numbered_parts_of_one_recording_are_spans_in_order() -> None:
    """After a reel-and-clip name (ASC MHL v1.0 Appendix B), and in a folder of their own."""
    base = "A002C006_141024_R2EC"
    clips = by_name(f"{base}_002.MOV", f"{base}_001.MOV", f"{base}_003.MOV", f"{base}.XML")
    assert clips[f"{base}_001"].spans == tuple(f"{base}_00{part}.MOV" for part in (1, 2, 3))
    assert clips[f"{base}_001"].companions == (f"{base}.XML",)
    bundle = by_name("N1.XYZ/N1_001.R3D", "N1.XYZ/N1_002.R3D", "N1.XYZ/look.cube")
    assert bundle["N1_001"].spans == ("N1.XYZ/N1_001.R3D", "N1.XYZ/N1_002.R3D")
    assert bundle["N1_001"].companions == ("N1.XYZ/look.cube",)


def test_parts_of_one_dcf_object_are_spans() -> None:
    """CIPA DC-009: one number in a folder is one object; the free characters count its parts."""
    folder = "DCIM/100ABCDE"
    clips = by_name(f"{folder}/AB010042.MP4", f"{folder}/AB020042.MP4", f"{folder}/AB010043.MP4")
    assert clips["AB010042"].spans == (f"{folder}/AB010042.MP4", f"{folder}/AB020042.MP4")
    assert clips["AB010043"].spans == (f"{folder}/AB010043.MP4",)


@pytest.mark.parametrize(
    "files",
    [
        ["CLIP_001.MOV", "CLIP_002.MOV"],
        ["A001/A001_001.MOV", "A001/A001_002.MOV"],
        ["A001C001.MOV", "A001C002.MOV"],
        ["00000.MTS", "00001.MTS"],
        ["20260314_001.MP4", "20260314_002.MP4"],
        ["A002C006_002.MOV", "A002C006_003.MOV"],  # the first part isn't there
        ["A002C006_001.MOV", "A002C006_003.MOV"],
        ["SC12_1.WAV", "SC12_2.WAV"],
        ["T001.WAV", "T002.WAV"],
        ["20260314_101501.jpg", "20260314_101502.jpg", "20260314_101503.jpg"],
    ],
)
def test_what_names_do_not_tell_stays_apart(files: list[str]) -> None:
    """Two clips taken for one would hide a take."""
    assert len(group(files).clips) == len(files)


def test_frames_that_count_on_are_one_clip_with_its_gaps() -> None:
    """An image sequence; what is missing in the numbering is said."""
    numbers = [86, 87, 88, 91, 92, 95]
    files = [f"S1/plate_{number:06}.dpx" for number in numbers]
    clips = by_name(*files, "S1/plate.wav")
    assert clips["plate"].kind is ClipKind.PICTURE
    assert clips["plate"].spans == tuple(files)
    assert clips["plate"].gaps == ((89, 90), (93, 94))
    assert clips["plate"].companions == ("S1/plate.wav",)


def test_a_sequence_of_bare_numbers_is_named_for_its_folder() -> None:
    """Frames 00001.exr and on."""
    assert list(by_name(*(f"R/shot7/{n:05}.exr" for n in range(5)))) == ["shot7"]


def test_tracks_named_as_tracks_are_one_sound_clip() -> None:
    """Mono files of one recording, the mix first, 2 before 10."""
    names = ["T7_Tr1.WAV", "T7_Tr2.WAV", "T7_Tr10.WAV", "T7_TrLR.WAV", "T7.WAV"]
    clip = by_name(*(f"S/{name}" for name in names))["T7"]
    assert clip.kind is ClipKind.SOUND
    assert clip.spans[:4] == ("S/T7.WAV", "S/T7_Tr1.WAV", "S/T7_Tr2.WAV", "S/T7_Tr10.WAV")


def test_files_of_no_clip_are_loose() -> None:
    """Kept, and listed."""
    grouping = group(["MEDIA.XML", "LUT/show.cube", "C1.MOV", "readme"])
    assert grouping.loose == ("LUT/show.cube", "MEDIA.XML", "readme")


def test_hostile_names_are_only_names() -> None:
    """Line breaks, bytes that are no text, leading dots and dashes."""
    files = ["-a\n.MOV", "-a\n.XML", "\udcff1.MOV", ".hidden", ".MOV", "x/.mov", "a..MOV"]
    grouping = group(files)
    assert {clip.name for clip in grouping.clips} == {"-a\n", "\udcff1", "a."}
    assert grouping.loose == (".MOV", ".hidden", "x/.mov")


def test_dcf_names_are_known() -> None:
    """CIPA DC-009 examples, compared without case."""
    assert all(map(is_dcf_folder, ["100abcde", "100MSDCF", "999_____"]))
    assert not any(map(is_dcf_folder, ["099ABCDE", "100ABCD", "100ABC-E", "DCIM"]))
    assert is_dcf_name("abcd0001")
    assert not any(map(is_dcf_name, ["ABCD0000", "ABC0001", "ABCDE001", "ABCD00012"]))


_PARTS = st.sampled_from(
    ["C0001", "C0002", "A001C001_001", "A001C001_002", "IMG_0001", "f_0001", "f_0002", "f_0003",
     "T1_Tr1", "T1_Tr2", "C0001M01", "C0001T01", "C0001_proxy", "AB010001", "AB020001"]
)  # fmt: skip
_PATHS = st.builds(
    lambda folder, stem, end: f"{folder}{stem}{end}",
    st.sampled_from(["", "X/", "DCIM/100ABCDE/", "DCIM/101ABCDE/", "SUB/", "AUDIO/", "X/AUDIO/"]),
    _PARTS,
    st.sampled_from([".MOV", ".mov", ".MP4", ".XML", ".WAV", ".JPG", ".DNG", ".dpx", ""]),
)


@given(st.lists(_PATHS, max_size=30, unique=True))
def test_every_path_comes_out_once_and_every_name_differs(paths: list[str]) -> None:
    """Nothing is lost or doubled, whatever is on the card, and the order given doesn't matter."""
    grouping = group(paths)
    out = [path for clip in grouping.clips for path in (*clip.spans, *clip.companions)]
    assert sorted([*out, *grouping.loose]) == sorted(paths)
    names = [clip.name for clip in grouping.clips]
    assert len(set(names)) == len(names)
    assert group(paths[::-1]) == grouping
