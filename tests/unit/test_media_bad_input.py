"""Bad input: facts that can be had are had, the rest is said, nothing hangs, nothing crashes."""

from __future__ import annotations

import os
import random
import struct
from collections.abc import Callable, Iterator
from datetime import date, datetime
from fractions import Fraction
from functools import partial
from pathlib import Path

import av
import pytest
from made_clips import Made
from made_clips import encode as encode_made

from ingest.media.claims import Masked, claims
from ingest.media.facts import ClipFacts, ClipKind, Sign
from ingest.media.health import Health, HealthState, Severity
from ingest.media.judging import judge
from ingest.media.looking.viewing import view
from ingest.media.reading.probe import probe
from ingest.media.shoot_date import far_from_shoot
from ingest.media.workers import ProbeItem, ProbePool

SEEDS = int(os.environ.get("INGEST_SEEDS", "24"))
FORMATS = {
    "h264.mov": ("libx264", "yuv420p", "pcm_s16le"),
    "h264.mp4": ("libx264", "yuv420p", "aac"),
    "prores.mov": ("prores_ks", "yuv422p10le", None),
    "ffv1.mkv": ("ffv1", "yuv420p", None),
    "mjpeg.avi": ("mjpeg", "yuvj420p", None),
    "mpeg2.mxf": ("mpeg2video", "yuv420p", "pcm_s16le"),
    "h264.mts": ("libx264", "yuv420p", None),
}


def encode(path: Path, encoder: str, pixels: str, sound: str | None, frames: int = 50) -> Path:
    """Noise that moves: what is cut off or damaged shows."""
    dice = random.Random(7)
    with av.open(str(path), "w") as container:
        video = container.add_stream(encoder, rate=25, options={"g": "10"})
        video.width, video.height, video.pix_fmt = 64, 36, pixels
        audio = container.add_stream(sound, rate=48000) if sound else None
        if audio is not None:
            audio.layout = "mono"
        for number in range(frames):
            frame = av.VideoFrame(64, 36, "gray")
            plane = frame.planes[0]
            plane.update(bytes(dice.randrange(40, 220) for _ in range(plane.buffer_size)))
            ready = frame.reformat(format=pixels)
            ready.pts = number
            container.mux(video.encode(ready))
            if audio is not None:
                sample = av.AudioFrame("s16", "mono", 1920)
                sample.planes[0].update(dice.randbytes(3840))
                sample.sample_rate, sample.pts = 48000, number * 1920
                sample.time_base = Fraction(1, 48000)
                if audio.format.name != "s16":
                    resampler = av.AudioResampler(audio.format.name, "mono", 48000)
                    (sample,) = resampler.resample(sample)
                container.mux(audio.encode(sample))
        container.mux(video.encode())
        if audio is not None:
            container.mux(audio.encode())
    return path


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], bytes]:
    folder = tmp_path_factory.mktemp("whole")
    made = {name: encode(folder / name, *how).read_bytes() for name, how in FORMATS.items()}
    return made.__getitem__


def looked(path: Path, *, deep: bool = False) -> tuple[ClipFacts, Health]:
    facts = probe(path)
    return facts, judge(facts, view(path, facts, deep=deep).seen, name=path.name)


def put(folder: Path, name: str, content: bytes) -> Path:
    path = folder / name
    path.write_bytes(content)
    return path


@pytest.mark.parametrize("name", [each for each in FORMATS if each != "h264.mts"])
def test_a_clip_cut_at_any_tenth_of_its_length_is_broken_and_the_whole_one_is_not(
    tmp_path: Path, whole: Callable[[str], bytes], name: str
) -> None:
    """A recording that ended too soon, whatever its container."""
    content = whole(name)
    assert looked(put(tmp_path, name, content))[1].state is HealthState.HEALTHY
    for tenth in range(1, 10):
        _, health = looked(put(tmp_path, name, content[: len(content) * tenth // 10]))
        assert health.state is HealthState.BROKEN, tenth


@pytest.mark.parametrize("clock", [b"", bytes(4)], ids=["188 bytes", "192 bytes"])
def test_a_transport_stream_cut_in_a_packet_asks_for_a_look(
    tmp_path: Path, whole: Callable[[str], bytes], clock: bytes
) -> None:
    """It has no end of its own (ISO/IEC 13818-1): where it is cut between two packets, as one
    recording in two files is, nothing tells. Cameras put a clock of four bytes before each."""
    plain = whole("h264.mts")
    packets = [clock + plain[at : at + 188] for at in range(0, len(plain), 188)]
    path = put(tmp_path, "h264.mts", b"".join(packets))
    assert looked(path)[1].state is HealthState.HEALTHY
    for tenth in range(1, 10):
        left = b"".join(packets[: len(packets) * tenth // 10])
        facts, health = looked(put(tmp_path, "h264.mts", left + packets[0][:77]))
        assert Sign.CLAIMS_MORE in facts.signs
        assert (health.findings[0].kind, health.findings[0].severity) == (
            "claims more",
            Severity.LOOK,
        )


@pytest.mark.parametrize("name", ["h264.mov", "prores.mov", "mjpeg.avi"])
def test_a_clip_whose_last_third_is_zeros_is_broken_though_no_byte_is_short(
    tmp_path: Path, whole: Callable[[str], bytes], name: str
) -> None:
    """Neither library's headers tell: the last frame does."""
    content = bytearray(whole(name))
    start = content.index(b"mdat") + 4 if name.endswith("mov") else content.index(b"movi") + 4
    end = content.index(b"moov") - 4 if name.endswith("mov") else content.index(b"idx1")
    first = start + (end - start) * 2 // 3
    content[first:end] = bytes(end - first)
    facts, health = looked(put(tmp_path, name, bytes(content)))
    assert facts.signs == ()
    assert health.state is HealthState.BROKEN


def test_damage_in_the_middle_of_a_group_is_found_by_a_deep_look(
    tmp_path: Path, whole: Callable[[str], bytes]
) -> None:
    """ProRes is a frame a picture: twenty of fifty are zeroed, none of those that are sampled."""
    path = put(tmp_path, "p.mov", whole("prores.mov"))
    with av.open(str(path)) as container:
        entries = [(packet.pos, packet.size) for packet in container.demux(video=0) if packet.size]
    content = bytearray(path.read_bytes())
    for place, size in entries[13:17]:
        content[place : place + size] = bytes(size)
    path.write_bytes(content)
    assert looked(path)[1].state is HealthState.HEALTHY
    _, health = looked(path, deep=True)
    assert health.state is HealthState.BROKEN
    assert health.findings[0].words.startswith("4 frames of it can't be decoded whole")


def test_random_damage_always_gives_facts_and_a_health(
    tmp_path: Path, whole: Callable[[str], bytes]
) -> None:
    """Seeded (INGEST_SEEDS says how many): bytes overwritten anywhere, headers included."""
    with ProbePool(workers=2, timeout_s=20) as pool:
        for seed in range(SEEDS):
            dice = random.Random(seed)
            name = dice.choice(list(FORMATS))
            content = bytearray(whole(name))
            for _ in range(dice.randint(1, 40)):
                content[dice.randrange(len(content))] = dice.randrange(256)
            path = put(tmp_path, f"{seed}-{name}", bytes(content))
            pool.submit(ProbeItem(path.name, str(path), f"{path}.jpg", f"{path}.slate.jpg"))
        results = list(pool.results())
    assert len(results) == SEEDS
    for result in results:
        assert result.facts.kind is ClipKind.PICTURE
        assert result.health.state in HealthState
        assert result.poster_made == (tmp_path / f"{result.key}.jpg").exists()


def element(ident: bytes, content: bytes) -> bytes:
    """EBML (RFC 8794): id, length in eight bytes, content."""
    return ident + (len(content) | 1 << 56).to_bytes(8, "big") + content


def many_in_matroska(tracks: int) -> bytes:
    """Matroska (RFC 9559) TrackEntry elements of type audio, and nothing behind them."""
    head = element(b"\x1a\x45\xdf\xa3", element(b"\x42\x82", b"matroska"))
    track = element(
        b"\xae", element(b"\xd7", b"\x01") + element(b"\x83", b"\x02") + element(b"\x86", b"A_PCM")
    )
    return head + element(b"\x18\x53\x80\x67", element(b"\x16\x54\xae\x6b", track * tracks))


def many_in_mp4(clip: bytes, tracks: int) -> bytes:
    """The last `trak` of `moov` (ISO/IEC 14496-12), which stands last in the file, repeated."""
    start = clip.index(b"moov") - 4
    track = clip.rindex(b"trak") - 4
    (length,) = struct.unpack_from(">I", clip, track)
    moov = clip[start + 8 : track] + clip[track : track + length] * (tracks - 1)
    return clip[:start] + struct.pack(">I", 8 + len(moov)) + b"moov" + moov


def many_in_avi(clip: bytes, tracks: int) -> bytes:
    """The `strl` list of the header list repeated (RIFF; no index, offsets don't matter)."""
    (header,) = struct.unpack_from("<I", clip, 16)
    track = clip.index(b"strl") - 8
    (length,) = struct.unpack_from("<I", clip, track + 4)
    more = clip[track : track + 8 + length] * (tracks - 1)
    body = clip[8:16] + struct.pack("<I", header + len(more)) + clip[20 : 20 + header] + more
    body += clip[20 + header :]
    return b"RIFF" + struct.pack("<I", len(body)) + body


def klv(content: bytes) -> Iterator[tuple[int, bytes, int, int]]:
    """KLV (SMPTE ST 336): offset, key, offset and length of the value."""
    at = 0
    while at + 17 <= len(content):
        wide = content[at + 16] & 0x7F if content[at + 16] & 0x80 else 0
        value = at + 17 + wide
        length = int.from_bytes(content[at + 17 : value], "big") if wide else content[at + 16]
        yield at, content[at : at + 16], value, length
        at = value + length


def many_in_mxf(clip: bytes, tracks: int) -> bytes:
    """The last Track set of the header (SMPTE ST 377-1) repeated behind it, each with a UID of its
    own, and the places and lengths of the partitions put right. Keys and offsets from memory."""
    track = bytes.fromhex("060e2b34025301010d01010101013b00")
    header = next(klv(clip))
    last = [each for each in klv(clip) if each[1] == track][-1]
    value = clip[last[2] : last[2] + last[3]]
    place = value.index(bytes.fromhex("3c0a0010")) + 4  # InstanceUID, 16 bytes
    more = b"".join(
        track + b"\x83" + len(value).to_bytes(3, "big")
        + value[:place] + b"\xee" * 12 + struct.pack(">I", number) + value[place + 16 :]
        for number in range(tracks)
    )  # fmt: skip
    behind = last[2] + last[3]
    made = bytearray(clip)

    def moved(at: int, always: bool = False) -> None:
        (old,) = struct.unpack_from(">Q", made, at)
        if always or old >= behind:
            struct.pack_into(">Q", made, at, old + len(more))

    for _, key, at, length in klv(clip):
        if key[4:8] == b"\x02\x05\x01\x01" and key[13] in (2, 3, 4):  # a partition
            for field in (8, 16, 24):  # this one, the one before, the footer
                moved(at + field)
        elif key[4:8] == b"\x02\x05\x01\x01" and key[13] == 0x11:  # the random index
            for entry in range(at + 4, at + length - 4, 12):
                moved(entry)
    moved(header[2] + 32, always=True)  # the length of the header's sets
    return bytes(made[:behind]) + more + bytes(made[behind:])


def test_a_hundred_thousand_tracks_claimed_in_mxf_leave_the_clip_as_it_is(tmp_path: Path) -> None:
    """MediaInfo and FFmpeg together took more than a minute over them; now the clip is read."""
    made = Made("a.mxf", "mpeg2video", "MPEG-2", timecode="10:00:00:00", sound="pcm_s16le")
    plain = encode_made(tmp_path, made).read_bytes()
    path = put(tmp_path, "many.mxf", many_in_mxf(plain, 100_000))
    with ProbePool(workers=1, timeout_s=60) as pool:
        pool.submit(ProbeItem("k", str(path)))
        (result,) = pool.results()
    facts = result.facts
    assert result.problem == ""
    assert (facts.codec, facts.duration_frames, len(facts.audio)) == ("MPEG-2", 25, 1)
    (doubt,) = [each for each in facts.doubts if "claims" in each]
    assert doubt.endswith(" tracks: the first 256 were looked at.")
    assert [finding.words for finding in result.health.findings] == []


def many_in_ts(streams: int) -> bytes:
    """Programme tables (ISO/IEC 13818-1, 2.4.4) that list AAC streams, and nothing behind them."""

    def section(table: int, number: int, body: bytes) -> bytes:
        head = struct.pack(">BHHBBB", table, 0xB000 | len(body) + 9, number, 0xC1, 0, 0)
        crc = 0xFFFFFFFF
        for each in head + body:
            crc ^= each << 24
            for _ in range(8):
                crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
        return head + body + struct.pack(">I", crc)

    def packets(pid: int, content: bytes) -> bytes:
        content = b"\0" + content
        return b"".join(
            struct.pack(">BHB", 0x47, pid | (0 if start else 0x4000), 0x10 | start // 184 & 15)
            + content[start : start + 184].ljust(184, b"\xff")
            for start in range(0, len(content), 184)
        )

    programmes = range(-(-streams // 200))
    made = packets(0, section(0, 1, b"".join(
        struct.pack(">HH", each + 1, 0xE000 | 0x20 + each) for each in programmes
    )))  # fmt: skip
    for each in programmes:
        listed = b"".join(
            struct.pack(">BHH", 0x0F, 0xE000 | 0x200 + each * 200 + number, 0xF000)
            for number in range(200)
        )
        made += packets(0x20 + each, section(2, each + 1, b"\xff\xff\xf0\x00" + listed))
    return made + packets(0x1FFF, bytes(100)) * 200


def test_thousands_of_sound_tracks_claimed_in_a_transport_stream_take_two_lines(
    tmp_path: Path,
) -> None:
    """FFmpeg stops at 1,000 streams by itself; the sounds that never come are one finding."""
    path = put(tmp_path, "many.mts", many_in_ts(6_000))
    facts, health = looked(path)
    assert len(facts.audio) == 64
    assert "1,000 sound tracks of it are seen: the first 64 are kept." in facts.doubts
    (finding,) = health.findings
    assert finding.words.startswith("Its sound, tracks 1 to 32, can't be decoded: ")
    assert health.state is HealthState.BROKEN


def test_a_hundred_thousand_sound_tracks_claimed_are_counted_and_the_first_ones_read(
    tmp_path: Path,
) -> None:
    """MediaInfo alone would take minutes over them; what is beyond the limit is said."""
    path = put(tmp_path, "many.mkv", many_in_matroska(100_000))
    with ProbePool(workers=1, timeout_s=60) as pool:
        pool.submit(ProbeItem("k", str(path)))
        (result,) = pool.results()
    assert result.problem == ""
    assert result.health.state is not HealthState.HEALTHY
    assert (result.facts.container, len(result.facts.audio)) == ("Matroska", 64)
    assert "It claims 100,000 tracks: the first 64 were looked at." in result.facts.doubts


@pytest.mark.parametrize(("name", "many"), [("h264.mp4", many_in_mp4), ("mjpeg.avi", many_in_avi)])
def test_a_clip_that_claims_thousands_of_tracks_still_has_its_facts_and_its_picture(
    tmp_path: Path,
    whole: Callable[[str], bytes],
    name: str,
    many: Callable[[bytes, int], bytes],
) -> None:
    """FFmpeg itself refuses more than 1,000 streams; the clip is the one without the claim."""
    plain, _ = looked(put(tmp_path, name, whole(name)))
    path = put(tmp_path, f"many-{name}", many(whole(name), 5_000))
    facts, _ = looked(path)
    assert "It claims 5,000 tracks: the first 64 were looked at." in facts.doubts
    assert (facts.codec, facts.width, facts.height) == (plain.codec, plain.width, plain.height)
    assert facts.frame_rate == plain.frame_rate
    assert view(path, facts).telling is not None


@pytest.mark.parametrize(("tracks", "hidden"), [(64, 0), (65, 1), (80, 16)])
def test_no_more_is_hidden_than_stands_beyond_the_limit(
    tmp_path: Path, tracks: int, hidden: int
) -> None:
    """Whatever the size of the reads, the same bytes come, and of the file's none is lost."""
    content = many_in_matroska(tracks)
    path = put(tmp_path, "some.mkv", content)
    with open(path, "rb") as file:
        claimed = claims(file)
        assert (claimed.tracks, len(claimed.hidden)) == (tracks, hidden)
        shown = {Masked(file, claimed).read()}
        for size in (1, 7, 64):
            file.seek(0)
            shown.add(b"".join(iter(partial(Masked(file, claimed).read, size), b"")))
    (one,) = shown
    assert len(one) == len(content)
    assert sum(a != b for a, b in zip(one, content, strict=True)) == hidden


def test_a_wave_of_65535_channels_claimed_has_its_facts(tmp_path: Path) -> None:
    """What the header says is kept; that it can't be is for whoever reads it."""
    fmt = struct.pack("<HHIIHH", 1, 65535, 48000, 0, 0, 16)
    body = b"WAVEfmt " + struct.pack("<I", 16) + fmt + b"data" + struct.pack("<I", 64) + bytes(64)
    path = put(tmp_path, "w.wav", b"RIFF" + struct.pack("<I", len(body)) + body)
    facts, _ = looked(path)
    assert facts.audio[0].channels == 65535


def with_date(clip: bytes, seconds: int) -> bytes:
    """Its `mvhd` in version 1 (ISO/IEC 14496-12, 8.2.2), 64 bits of seconds since 1904. `moov`
    stands last in the file, so no place moves."""
    movie, head = clip.index(b"moov") - 4, clip.index(b"mvhd") - 4
    (length,) = struct.unpack_from(">I", clip, head)
    scale, lasts = struct.unpack_from(">II", clip, head + 20)
    fields = struct.pack(">IQQIQ", 1 << 24, seconds, seconds, scale, lasts)
    made = fields + clip[head + 28 : head + length]
    (whole,) = struct.unpack_from(">I", clip, movie)
    return (
        clip[:movie] + struct.pack(">I", whole + 12) + clip[movie + 4 : head]
        + struct.pack(">I", 8 + len(made)) + b"mvhd" + made + clip[head + length :]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("at", "recorded"),
    [
        (datetime(1904, 1, 1, 0, 1, 1), "1904-01-01"),
        (datetime(2040, 2, 6, 6, 28, 15), "2040-02-06"),
        (datetime(2106, 2, 7, 6, 28, 15), "2106-02-07"),
    ],
)
def test_dates_where_counters_begin_and_end_are_kept_as_written(
    tmp_path: Path, whole: Callable[[str], bytes], at: datetime, recorded: str
) -> None:
    """1904 is 0 of MOV's count, 2040 the end of its 32 bits, 2106 that of a clock from 1970. Far
    from any shoot day all three ask for a look."""
    seconds = round((at - datetime(1904, 1, 1)).total_seconds())
    facts, health = looked(put(tmp_path, "far.mp4", with_date(whole("h264.mp4"), seconds)))
    assert (facts.recorded or "").startswith(recorded)
    assert health.state is HealthState.HEALTHY
    assert [each.kind for each in far_from_shoot(facts, date(2026, 3, 14))] == ["date"]


def test_a_date_beyond_any_calendar_is_none(tmp_path: Path, whole: Callable[[str], bytes]) -> None:
    """2^63 seconds."""
    facts, _ = looked(put(tmp_path, "far.mp4", with_date(whole("h264.mp4"), 1 << 63)))
    assert facts.recorded is None
    assert facts.duration_frames == 50


def test_a_date_of_1904_is_kept_as_written(tmp_path: Path, whole: Callable[[str], bytes]) -> None:
    """ISO/IEC 14496-12 mvhd counts seconds from 1904: a clock that began to run when it was lit."""
    content = bytearray(whole("h264.mp4"))
    place = content.index(b"mvhd") + 8
    content[place : place + 4] = struct.pack(">I", 61)
    facts, _ = looked(put(tmp_path, "old.mp4", bytes(content)))
    assert (facts.recorded or "").startswith("1904-01-01")


def test_sound_beyond_4_gib_is_read_by_its_64_bit_sizes(tmp_path: Path) -> None:
    """RF64 and BW64 (EBU Tech 3306, ITU-R BS.2088): sizes in ds64. The file is sparse."""
    data = 5 * 1024**3
    for form in (b"RF64", b"BW64"):
        fmt = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 2, 48000, 192000, 4, 16)
        ds64 = b"ds64" + struct.pack("<IQQQI", 28, data + 80, data, data // 4, 0)
        head = form + b"\xff" * 4 + b"WAVE" + ds64 + fmt + b"data" + b"\xff" * 4
        path = tmp_path / f"{form.decode()}.wav"
        with open(path, "wb") as file:
            file.write(head)
            file.truncate(len(head) + data)
        facts, health = looked(path)
        assert facts.container == form.decode()
        assert facts.duration_seconds == Fraction(data, 192000)
        assert facts.signs == ()
        assert [finding.kind for finding in health.findings] == ["silent"]
        os.truncate(path, len(head) + data - 4096)
        assert Sign.PAST_END in probe(path).signs


@pytest.mark.parametrize(
    ("content", "sign"),
    [
        (b"", Sign.EMPTY),
        (b"a story of a reel\n" * 300, Sign.TEXT),
        (bytes(9000), Sign.ZEROS),
        (random.Random(3).randbytes(9000), Sign.UNKNOWN),
    ],
)
def test_what_is_no_clip_is_broken(tmp_path: Path, content: bytes, sign: Sign) -> None:
    """Under the name of one; the same noise under the name of camera RAW is unchecked."""
    facts, health = looked(put(tmp_path, "a.mov", content))
    assert (facts.signs, health.state) == ((sign,), HealthState.BROKEN)
    _, health = looked(put(tmp_path, "a.braw", content))
    unchecked = sign is Sign.UNKNOWN
    assert health.state is (HealthState.UNCHECKED if unchecked else HealthState.BROKEN)
