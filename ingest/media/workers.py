"""Probing in other processes: a decoder that hangs or crashes takes nobody with it."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Iterator, Sequence
from types import TracebackType

from ingest.media.crew import Crew, Line, Order, ProbeItem, ProbeResult

__all__ = ["ProbeItem", "ProbePool", "ProbeResult", "probe_many"]


class ProbePool:
    """Workers that probe while the caller goes on.

    `submit` never waits. `ready` gives the results that have come in; `results` waits for those
    still out and ends when every item submitted so far has come back. Results come in the
    order in which they are done. To be used by one thread; see `shared`.
    """

    def __init__(self, *, workers: int, timeout_s: float) -> None:
        """Up to `workers` processes, each started when there is work for it.

        `timeout_s` is the limit for one file in seconds, facts, health and pictures together; of a
        deep look, the limit without any sign of life. Waiting for a processor isn't counted where
        the system tells of it.
        """
        if workers < 1 or timeout_s <= 0:
            raise ValueError("at least one worker and a time limit above 0 are needed")
        self._crew = Crew(workers, timeout_s)
        self._owner = True
        self._line = Line()
        self._out = 0

    def shared(self) -> ProbePool:
        """A pool for another thread with the same workers, which stay this one's to end."""
        other = object.__new__(ProbePool)
        other._crew, other._owner, other._line, other._out = self._crew, False, Line(), 0
        return other

    def submit(self, item: ProbeItem) -> None:
        """Put a file in the line. Raises ValueError on a closed pool."""
        if self._line.closed:
            raise ValueError("the pool is closed")
        self._out += 1
        self._crew.take(Order(item, self._line))

    def get_ready(self) -> None:
        """Have a worker that waits for its first file: loading its decoders takes a while."""
        self._crew.start_one()

    def ready(self) -> list[ProbeResult]:
        """Results that have come in since the last look; doesn't wait."""
        found = []
        with contextlib.suppress(queue.Empty):
            while True:
                found.append(self._line.done.get_nowait())
        self._out -= len(found)
        return found

    def results(self, stop: threading.Event | None = None) -> Iterator[ProbeResult]:
        """Results as they come in, until nothing submitted is still out, or `stop` is set."""
        while self._out and not (stop is not None and stop.is_set()):
            with contextlib.suppress(queue.Empty):  # a limit, so that Ctrl-C is always heard
                result = self._line.done.get(timeout=0.5)
                self._out -= 1
                yield result

    def close(self) -> None:
        """Leave what is still in the line, and end the workers at once unless they are another
        pool's. May be called again."""
        self._line.closed = True
        if self._owner:
            self._crew.end()

    def __enter__(self) -> ProbePool:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def probe_many(
    items: Sequence[ProbeItem], *, workers: int, timeout_s: float
) -> Iterator[ProbeResult]:
    """Probe all items in up to `workers` processes; results come in the order they are done.

    `timeout_s` is the limit for one file in seconds. Exactly one result comes for each item.
    """
    with ProbePool(workers=workers, timeout_s=timeout_s) as pool:
        for item in items:
            pool.submit(item)
        yield from pool.results()
