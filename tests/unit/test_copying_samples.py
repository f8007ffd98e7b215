"""Samples: what tells files of one name, size and time apart, and what it can't see."""

from __future__ import annotations

import os
import random
from itertools import pairwise
from pathlib import Path

import pytest
import xxhash
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.copying.reading import open_root, sample
from ingest.copying.samples import PIECE, WHOLE, Sampler, pieces
from ingest.drives import look_at

MANY = random.Random(12).randbytes(3 * 1024 * 1024 + 7)
SIZES = st.one_of(
    st.integers(0, len(MANY)),
    st.sampled_from([0, 1, 4095, 4096, 4097, PIECE, WHOLE - 1, WHOLE, WHOLE + 1, WHOLE + PIECE]),
)


def streamed(data: bytes, cuts: list[int]) -> str:
    """The digest when the bytes come cut at these places."""
    sampler = Sampler(len(data))
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    for start, end in pairwise(edges):
        sampler.update(memoryview(data)[start:end])
    return sampler.hexdigest()


def from_disk(folder: Path, data: bytes) -> str:
    (folder / "file").write_bytes(data)
    root = open_root(str(folder))
    try:
        return sample(root, "file", look_at(str(folder)))
    finally:
        os.close(root)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(SIZES, st.lists(st.integers(0, 2**40), max_size=12))
def test_streamed_in_any_pieces_equals_read_from_disk(
    tmp_path: Path, size: int, cuts: list[int]
) -> None:
    """The card's one read and a later look at the file give one and the same digest."""
    data = MANY[:size]
    assert streamed(data, cuts) == from_disk(tmp_path, data)


@given(st.integers(0, 2**44))
def test_pieces_lie_in_order_inside_the_file_and_end_at_its_end(size: int) -> None:
    """Eight at most, aligned, never overlapping; small files whole."""
    found = pieces(size)
    assert found[0][0] == 0
    assert sum(found[-1]) == size
    end = 0
    for offset, length in found:
        assert offset >= end
        assert offset % 4096 == 0
        end = offset + length
    if size <= WHOLE:
        assert found == ((0, size),)
    else:
        assert len(found) == 8
        assert all(length >= PIECE for _, length in found)
        assert found[-1][1] < PIECE + 4096


def test_the_digest_is_xxh128_over_size_and_pieces() -> None:
    """Written down in the module, so that another program can work it out from the file."""
    data = MANY[: WHOLE + 12345]
    judge = xxhash.xxh3_128(len(data).to_bytes(8, "little"))
    for offset, length in pieces(len(data)):
        judge.update(data[offset : offset + length])
    assert streamed(data, []) == judge.hexdigest()


@settings(max_examples=60, deadline=None)
@given(st.integers(1, len(MANY)), st.data())
def test_one_changed_byte_inside_a_sample_is_seen(size: int, data: st.DataObject) -> None:
    """Wherever in a sample it lies."""
    offset, length = data.draw(st.sampled_from(pieces(size)))
    at = offset + data.draw(st.integers(0, length - 1))
    changed = bytearray(MANY[:size])
    changed[at] ^= 1
    assert streamed(bytes(changed), []) != streamed(MANY[:size], [])


@pytest.mark.parametrize("size", [1, 4096, 4097, WHOLE, WHOLE + 1, 2 * WHOLE + 4095, len(MANY)])
def test_the_last_byte_counts(size: int) -> None:
    """A file that is cut and padded again differs at its end first."""
    changed = bytearray(MANY[:size])
    changed[-1] ^= 0x80
    assert streamed(bytes(changed), []) != streamed(MANY[:size], [])


def test_one_changed_byte_between_samples_is_not_seen() -> None:
    """The limit of this check, pinned down: samples tell files apart and prove nothing else."""
    size = len(MANY)
    (first, length), (second, _) = pieces(size)[:2]
    at = first + length
    assert at < second
    changed = bytearray(MANY)
    changed[at] ^= 1
    assert streamed(bytes(changed), []) == streamed(MANY, [])


def test_the_size_counts() -> None:
    """Zeros of two lengths differ, an empty file from none at all."""
    assert len({streamed(bytes(size), []) for size in range(0, 3 * PIECE, PIECE // 2)}) == 6
