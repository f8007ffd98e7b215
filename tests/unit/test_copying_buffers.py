"""The pool: bounded memory, and a buffer given back too early is an error, never a wrong copy."""

from __future__ import annotations

import ctypes
import threading

import pytest

from ingest.copying.buffers import (
    ALIGNMENT,
    CHUNK,
    MEMORY,
    Buffer,
    Pool,
    StaleBufferError,
    poison,
    shares,
    stamp,
)


def test_a_buffer_is_aligned_for_direct_transfers() -> None:
    """Its address is a whole page."""
    buffer = Buffer()
    assert len(buffer.view) == CHUNK
    address = ctypes.addressof(ctypes.c_char.from_buffer(buffer.view))
    assert address % ALIGNMENT == 0
    assert CHUNK % ALIGNMENT == 0


def test_no_more_buffers_than_were_made() -> None:
    """Taking waits, and says so when none came free."""
    pool = Pool(2)
    one, two = pool.take(0), pool.take(0)
    assert one is not None
    assert two is not None
    assert one is not two
    assert pool.take(0.01) is None


def test_a_buffer_comes_back_when_the_last_user_is_done() -> None:
    """Not before."""
    pool = Pool(1)
    buffer = pool.take(0)
    assert buffer is not None
    generation = pool.hand_out(buffer, 2)
    pool.give_back(buffer, generation)
    assert pool.take(0.01) is None
    pool.give_back(buffer, generation)
    assert pool.take(0.01) is buffer


def test_a_buffer_that_nobody_wants_comes_back_at_once() -> None:
    """All drives gone: the reader goes on."""
    pool = Pool(1)
    buffer = pool.take(0)
    assert buffer is not None
    pool.hand_out(buffer, 0)
    assert pool.take(0.01) is buffer


def test_using_a_buffer_after_giving_it_back_is_an_error() -> None:
    """Both looking at it and giving it back once more."""
    pool = Pool(1)
    buffer = pool.take(0)
    assert buffer is not None
    generation = pool.hand_out(buffer, 1)
    buffer.check(generation)
    pool.give_back(buffer, generation)
    with pytest.raises(StaleBufferError):
        buffer.check(generation)
    with pytest.raises(StaleBufferError):
        pool.give_back(buffer, generation)


def test_a_waiting_taker_is_woken() -> None:
    """It gets the buffer that another thread gives back."""
    pool = Pool(1)
    buffer = pool.take(0)
    assert buffer is not None
    generation = pool.hand_out(buffer, 1)
    found: list[Buffer | None] = []
    taker = threading.Thread(target=lambda: found.append(pool.take(30)))
    taker.start()
    pool.give_back(buffer, generation)
    taker.join(30)
    assert found == [buffer]


def test_a_poisoned_pool_overwrites_what_comes_back() -> None:
    """Whoever still looks at it sees a pattern, and a plain pool leaves it be."""
    for poisoned in (True, False):
        pool = Pool(1, poisoned=poisoned)
        buffer = pool.take(0)
        assert buffer is not None
        buffer.view[:5] = b"clips"
        pool.give_back(buffer, pool.hand_out(buffer, 1))
        assert (bytes(buffer.view[:5]) != b"clips") is poisoned


def test_poison_is_no_run_of_one_byte() -> None:
    """A drive that answers with zeros or ones can't look like poison."""
    view = memoryview(bytearray(10_000))
    poison(view)
    assert len(set(bytes(view))) > 200
    assert bytes(view[:4096]) != bytes(view[4096:8192])


@pytest.mark.parametrize("size", [0, 1, 511, 512, 513, 4096, 10_000, CHUNK])
def test_a_stamped_buffer_shows_every_sector_that_was_not_read(size: int) -> None:
    """Whatever stood there before, and in whichever order sectors come."""
    before = bytes(range(256)) * (CHUNK // 256)
    buffer = Buffer()
    buffer.view[:] = before
    stamp(buffer.view[:size])
    for place in range(0, size, 512):
        end = min(place + 512, size)
        assert buffer.view[place:end] != before[place:end]
    assert buffer.view[size:] == before[size:]


def test_a_pool_that_lets_go_keeps_no_memory() -> None:
    """What is given back later is free once more, and nothing else is."""
    pool = Pool(2)
    used = pool.take(0)
    assert used is not None
    generation = pool.hand_out(used, 1)
    pool.let_go()
    assert pool.take(0) is None
    pool.give_back(used, generation)
    assert pool.take(0) is used


@pytest.mark.parametrize("sizes", [[5], [5, 5], [300, 1200, 900, 600], [0, 0, 0], [1] * 9, []])
def test_cards_of_one_command_share_the_memory_and_the_largest_gets_most(sizes: list[int]) -> None:
    """None goes without, and together they take what one would."""
    parts = shares(sizes)
    assert len(parts) == len(sizes)
    assert sum(parts) <= MEMORY
    assert all(part >= CHUNK for part in parts)
    if sizes:
        assert sum(parts) > MEMORY - len(sizes)
        assert parts[sizes.index(max(sizes))] == max(parts)
    if len(sizes) == 1:
        assert parts == [MEMORY]
