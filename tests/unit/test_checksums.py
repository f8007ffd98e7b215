"""Digests against published vectors, whole and in pieces."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import checksums

# RFC 1321, Appendix A.5: the whole test suite.
MD5 = {
    "": "d41d8cd98f00b204e9800998ecf8427e",
    "a": "0cc175b9c0f1b6a831c399e269772661",
    "abc": "900150983cd24fb0d6963f7d28e17f72",
    "message digest": "f96b697d7cb7938d525a2f31aaf161d0",
    "abcdefghijklmnopqrstuvwxyz": "c3fcd3d76192e4007dfb496cca67e13b",
    "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789": (
        "d174ab98d277d9f5a5611c2c9f419d9f"
    ),
    "1234567890" * 8: "57edf4a22be3c955ac49da2e2107b67a",
}

# Inputs of RFC 6234 section 8.5 (TEST1, TEST2_1, TEST2_2, TEST3, TEST4).
T1 = b"abc"
T2_1 = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"
T2_2 = (
    b"abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmn"
    b"hijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu"
)
T3 = b"a" * 1_000_000
T4 = b"01234567" * 80

# RFC 3174 section 7.3 (the driver's table, as copied in public test suites); empty: from memory.
SHA1 = [
    (T1, "a9993e364706816aba3e25717850c26c9cd0d89d"),
    (T2_1, "84983e441c3bd26ebaae4aa1f95129e5e54670f1"),
    (T3, "34aa973cd4c4daa4f61eeb2bdbad27316534016f"),
    (T4, "dea356a2cddd90c7a7ecedc5ebb563934f460452"),
    (b"", "da39a3ee5e6b4b0d3255bfef95601890afd80709"),
]

# T1: FIPS 180-2 Appendix B.1, as copied in public test suites. The others are the inputs of
# RFC 6234 section 8.5 with digests from memory.
SHA256 = [
    (T1, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (T2_1, "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"),
    (T3, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    (T4, "594847328451bdfa85056225462cc1d867d877fb388df0ce35f25ab5562bfbb5"),
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
]

# FIPS 180-2 C.1 and C.2, and the driver of RFC 6234 (copies in public test suites); T4: from
# memory. SHA-512 is no kind of ours, but it is what stands inside a C4 ID.
SHA512 = [
    (
        T1,
        (
            "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
            "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
        ),
    ),
    (
        T2_2,
        (
            "8e959b75dae313da8cf4f72814fc143f8f7779c6eb9f7fa17299aeadb6889018"
            "501d289e4900f7e4331b99dec4b5433ac7d329eeb6dd26545e96e55b874be909"
        ),
    ),
    (
        T3,
        (
            "e718483d0ce769644e2e42c7bc15b4638e1f98b13b2044285632a803afa973eb"
            "de0ff244877ea60a4cb0432ce577c31beb009c5c2c49aa2e4eadb217ad8cc09b"
        ),
    ),
    (
        T4,
        (
            "89d05ba632c699c31231ded4ffc127d5a894dad412c0e024db872d1abd2ba814"
            "1a0f85072a9be1e2aa04cf33c765cb510813a39cd5a84c4acaa64d3f3fb7bae9"
        ),
    ),
    (
        b"",
        (
            "cf83e1357eefb8bdf1542850d66d8007d620e4050b5715dc83f4a921d36ce9ce"
            "47d0d13c5d85f2b0ff8318d2877eec2f63b931bd47417a81a538327af927da3e"
        ),
    ),
]

# The xxHash project, cli/xsum_sanity_check.c, seed 0. Its table lists XXH128 as { low, high };
# the printed form is high then low (doc/xxhash_spec.md 0.2.0: big-endian).
XXH64 = {
    0: "ef46db3751d8e999",
    1: "e934a84adb052768",
    4: "9136a0dca57457ee",
    14: "8282dcc4994e35c8",
    222: "b641ae8cb691c174",
}
XXH3 = {
    0: "2d06800538d394c2",
    1: "c44bdff4074eecdb",
    6: "27b56a84cd2d7325",
    12: "a713daf0dfbb77e7",
    24: "a3fe70bf9d3510eb",
    48: "397da259ecba1f11",
    80: "bcdefbbb2c47c90a",
    195: "cd94217ee362ec3a",
    403: "cdeb804d65c6dea4",
    512: "617e49599013cb6b",
    2048: "dd59e2c3a5f038e0",
    2240: "6e73a90539cf2948",
    2367: "cb37aeb9e5d361ed",
}
XXH128 = {
    0: "99aa06d3014798d86001c324468d497f",
    1: "a6cd5e9392000f6ac44bdff4074eecdb",
    6: "082afe0b8162d12a3e7039bdda43cfc6",
    12: "6e3efd8fc7802b18061a192713f69ad9",
    24: "0ce966e4678d37611e7044d28b1b901d",
    48: "a002ac4e5478227ef942219aed80f67b",
    81: "4952f58181ab00425e8bafb9f95fb803",
    222: "337e09641b948717f1aebd597cec6b3a",
    403: "1b6de21e332dd73dcdeb804d65c6dea4",
    512: "18d2d110dcc9bca1617e49599013cb6b",
    2048: "f736557fd47073a5dd59e2c3a5f038e0",
    2240: "ccb134fbfa7ce49d6e73a90539cf2948",
    2367: "e89c0f6ff369b427cb37aeb9e5d361ed",
}

# Empty: public C4 documentation and test suites; foo: public C4 test suite (the text of SMPTE
# ST 2114:2017 was not at hand). a, abc, hello world: recomputed as base 58 over SHA-512.
C4 = {
    "": (
        "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT"
    ),
    "foo": (
        "c45xZeXwMSpqXjpDumcHMA6mhoAmGHkUo7r9WmN2UgSEQzj9KjgseaQdkEJ11fGb5S1WEENcV3q8RFWwEeVpC7Fjk2"
    ),
    "a": (
        "c41dF3bGD8iqVcrJJQpS6fEsVgg9iKeNHGCCEhK2C2cGYRm2dx8xeFU1wKbkBsCWdefaz82KeyfbBf8Pfkpm4C56cc"
    ),
    "abc": (
        "c45S4rnaTNWonxss1u8LzsaJdEph1AJhWUF4sh2waXKMsutyfAxg4ybUeuXVWS9HdNcEypmeXn8FZGonD4w1rj9DZp"
    ),
    "hello world": (
        "c41yP4cqy7jmaRDzC2bmcGNZkuQb3VdftMk6YH7ynQ2Qw4zktKsyA9fk52xghNQNAdkpF9iFmFkKh2bNVG4kDWhsok"
    ),
}
# 64 bytes of FF: recomputed, no published source.
C4_HIGHEST = (
    "c467rpwLCuS5DGA8KGZXKsVQ7dnPb9goRLoKfgGbLfQg9WoLUgNY77E2jT11fem3coV9nAkguBACzrU1iyZM4B8roQ"
)

VECTORS = [
    *(("md5", text.encode(), digest) for text, digest in MD5.items()),
    *(("sha1", data, digest) for data, digest in SHA1),
    *(("sha256", data, digest) for data, digest in SHA256),
    *(("c4", text.encode(), digest) for text, digest in C4.items()),
]


def xxhash_buffer(length: int) -> bytes:
    """The input of the xxHash project's sanity check."""
    data, generator = bytearray(), 2654435761
    for _ in range(length):
        data.append(generator >> 56)
        generator = generator * 11400714785074694797 % 2**64
    return bytes(data)


XX_VECTORS = [
    *(("xxh64", xxhash_buffer(length), digest) for length, digest in XXH64.items()),
    *(("xxh3", xxhash_buffer(length), digest) for length, digest in XXH3.items()),
    *(("xxh128", xxhash_buffer(length), digest) for length, digest in XXH128.items()),
]


def digest_of(kind: str, data: bytes, piece: int) -> str:
    """The digest when the bytes come in pieces of this size."""
    checksum = checksums.new(kind)
    for start in range(0, len(data), piece):
        checksum.update(memoryview(data)[start : start + piece])
    return checksum.hexdigest()


def test_the_xxhash_test_buffer_is_the_published_one() -> None:
    """Its first 16 bytes, so that a wrong generator can't hide behind wrong vectors."""
    assert xxhash_buffer(16) == bytes.fromhex("0052929bb732a3242d00af950eecb893")


@pytest.mark.parametrize(
    ("kind", "data", "digest"),
    VECTORS + XX_VECTORS,
    ids=lambda value: value if isinstance(value, str) and len(value) < 8 else "",
)
def test_a_published_vector_gives_the_published_digest(kind: str, data: bytes, digest: str) -> None:
    """The same in one piece, in sevens, and byte by byte where that is quick."""
    assert digest_of(kind, data, max(1, len(data))) == digest
    assert digest_of(kind, data, 7) == digest
    if len(data) < 10_000:
        assert digest_of(kind, data, 1) == digest


@pytest.mark.parametrize(("data", "digest"), SHA512, ids=["T1", "T2_2", "T3", "T4", "empty"])
def test_a_c4_id_holds_the_published_sha512(data: bytes, digest: str) -> None:
    """The number inside a C4 ID is the SHA-512 digest of the same bytes."""
    identifier = digest_of("c4", data, max(1, len(data)))
    assert checksums.c4_to_digest(identifier).hex() == digest


def test_every_kind_that_can_be_asked_for_is_held_against_vectors() -> None:
    """A new kind comes with a published vector here, or this fails."""
    assert set(checksums.KINDS) == {kind for kind, _, _ in VECTORS + XX_VECTORS}
    assert set(checksums.DEFAULT_KINDS) <= set(checksums.KINDS)
    assert set(checksums.LISTED_KINDS) == set(checksums.KINDS) - {"sha256"}


def test_digests_have_the_lengths_of_the_hash_list_standard() -> None:
    """ASC MHL v1.0 Appendix D, by the lengths of its examples; c4 begins with its own name."""
    lengths = {kind: len(checksums.new(kind).hexdigest()) for kind in checksums.LISTED_KINDS}
    assert lengths == {"md5": 32, "sha1": 40, "c4": 90, "xxh64": 16, "xxh3": 16, "xxh128": 32}
    assert checksums.new("c4").hexdigest().startswith("c4")


def test_a_kind_not_known_is_an_error() -> None:
    """No silent other checksum in its place."""
    with pytest.raises(KeyError):
        checksums.new("crc32")


def test_a_c4_id_is_padded_and_reaches_to_the_highest_digest() -> None:
    """Zeros are the alphabet's first character, 88 times."""
    assert checksums.c4_from_digest(bytes(64)) == "c4" + "1" * 88
    assert checksums.c4_from_digest(b"\xff" * 64) == C4_HIGHEST


@given(st.binary(min_size=64, max_size=64))
def test_a_c4_id_gives_its_digest_back(digest: bytes) -> None:
    """Any 64 bytes, there and back."""
    identifier = checksums.c4_from_digest(digest)
    assert len(identifier) == 90
    assert checksums.c4_to_digest(identifier) == digest


@pytest.mark.parametrize(
    "wrong",
    [
        "",
        C4[""][:-1],
        C4[""] + "1",
        "c5" + C4[""][2:],
        C4[""][:50] + "0" + C4[""][51:],
        C4[""][:50] + "l" + C4[""][51:],
        C4_HIGHEST[:-1] + "R",
        "c4" + "z" * 88,
    ],
)
def test_what_is_no_c4_id_is_refused(wrong: str) -> None:
    """Too short, too long, a letter outside the alphabet, more than 512 bits."""
    with pytest.raises(ValueError, match=r"C4|c4"):
        checksums.c4_to_digest(wrong)


@given(st.binary(max_size=2000), st.integers(1, 700))
def test_md5_and_sha_agree_with_the_standard_library_in_any_pieces(data: bytes, piece: int) -> None:
    """`hashlib` is the outside judge."""
    assert digest_of("md5", data, piece) == hashlib.md5(data, usedforsecurity=False).hexdigest()
    assert digest_of("sha1", data, piece) == hashlib.sha1(data, usedforsecurity=False).hexdigest()
    assert digest_of("sha256", data, piece) == hashlib.sha256(data).hexdigest()


def test_a_digest_may_be_asked_for_before_the_end() -> None:
    """Asking doesn't spoil what follows."""
    for kind in checksums.KINDS:
        checksum = checksums.new(kind)
        checksum.update(b"first ")
        checksum.hexdigest()
        checksum.update(b"second")
        assert checksum.hexdigest() == digest_of(kind, b"first second", 100), kind
