"""The processes that probe: each with a thread of ours that gives it files and takes its answers.

Each is started anew after a hang or crash, with a pipe to and from it and no other handle of
ours. It ends when its pipe ends, so that it dies with its parent, however that ends. The decoders
are imported there only.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import selectors
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from ingest import platforms
from ingest.media.facts import ClipFacts
from ingest.media.facts_json import facts_from_json
from ingest.media.health import Health, lost
from ingest.media.health_json import health_from_json
from ingest.media.kinds import kind_of_name

__all__ = ["Crew", "Line", "Order", "ProbeItem", "ProbeResult"]

_CHILD = (
    "import sys; sys.path.insert(0, sys.argv[1]); "
    "from ingest.media.worker_child import main; main()"
)
_HOME = str(Path(__file__).resolve().parents[2])
_LARGEST_ANSWER = 16 << 20


@dataclass(frozen=True, slots=True)
class ProbeItem:
    """One file to probe. `key` is the caller's own name for it and comes back untouched."""

    key: str
    path: str
    poster_out: str | None = None
    """Where its poster goes (JPEG), or None for no poster."""
    slate_out: str | None = None
    """Where the picture of its slate goes, likewise."""
    deep: bool = False
    """Decode every frame and sample of it."""


@dataclass(frozen=True, slots=True)
class ProbeResult:
    key: str
    facts: ClipFacts
    """Never absent: a file whose probing hung or crashed has facts with that as a doubt."""
    poster_made: bool
    health: Health
    """Never absent, either: hung or crashed is broken."""
    slate_made: bool = False
    problem: str = ""
    """What went wrong with the worker or the poster's file, or empty."""


class Line:
    """Where one pool's results go. What a closed one still waits for is not probed."""

    def __init__(self) -> None:
        self.done: queue.SimpleQueue[ProbeResult] = queue.SimpleQueue()
        self.closed = False


@dataclass(frozen=True, slots=True)
class Order:
    """A file to probe, and for whom."""

    item: ProbeItem
    line: Line


class Crew:
    """The workers of one pool and of those that share them."""

    def __init__(self, most: int, timeout_s: float) -> None:
        self._most = most
        self._timeout_s = timeout_s
        self._todo: queue.SimpleQueue[Order | None] = queue.SimpleQueue()
        self._workers: list[_Worker] = []
        self._taken = 0
        self._ended = False
        self._lock = threading.Lock()

    def take(self, order: Order) -> None:
        """Put an order in the line, and start a worker where it is the first in need of one."""
        self._todo.put(order)
        with self._lock:
            self._taken += 1
            if len(self._workers) < min(self._most, self._taken):
                self._start()

    def start_one(self) -> None:
        """Have at least one worker."""
        with self._lock:
            if not self._workers:
                self._start()

    def _start(self) -> None:
        if not self._ended:
            self._workers.append(_Worker(self._todo, self._timeout_s))

    def end(self) -> None:
        """End the workers at once; none is started any more."""
        with self._lock:
            self._ended = True
            for worker in self._workers:
                worker.stop()
            for _ in self._workers:
                self._todo.put(None)
            for worker in self._workers:
                worker.join()
            self._workers.clear()


class _Limit:
    """A time limit for a process. What it stood waiting for a processor isn't counted, or a
    busy machine would make a good clip look broken."""

    def __init__(self, pid: int, seconds: float) -> None:
        self._pid = pid
        self._seconds = seconds
        self.renew()

    def renew(self) -> None:
        """Begin anew: it has given a sign of life."""
        self._until = time.monotonic() + self._seconds - platforms.waited_s(self._pid)

    def left_s(self) -> float:
        return self._until + platforms.waited_s(self._pid) - time.monotonic()


class _Gone(Exception):
    """The worker did not answer; `str()` says why."""


class _Worker:
    """A thread of ours with one child process; it starts the child again when that is gone."""

    def __init__(
        self,
        todo: queue.SimpleQueue[Order | None],
        timeout_s: float,
    ) -> None:
        self._todo = todo
        self._timeout_s = timeout_s
        self._child: subprocess.Popen[bytes] | None = None
        self._rest = b""
        self._lock = threading.Lock()
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="probe", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        with self._lock:
            self._stopped = True
            if self._child is not None:
                self._child.kill()

    def join(self) -> None:
        self._thread.join()

    def _run(self) -> None:
        try:
            with contextlib.suppress(_Gone, OSError):  # told of the first file, if at all
                self._started()
            while (order := self._todo.get()) is not None and not self._stopped:
                if order.line.closed:
                    continue
                try:
                    result = self._probed(order.item)
                except Exception as error:  # every item gets its result, whatever happens
                    self._end_child()
                    result = _lost(order.item, f"it could not be probed: {error}")
                order.line.done.put(result)
        finally:
            self._end_child()

    def _probed(self, item: ProbeItem) -> ProbeResult:
        facts: ClipFacts | None = None
        health: Health | None = None
        try:
            child = self._started()
            limit = _Limit(child.pid, self._timeout_s)
            request = {
                "path": item.path,
                "poster": item.poster_out,
                "slate": item.slate_out,
                "deep": item.deep,
            }
            assert child.stdin is not None
            try:
                child.stdin.write(json.dumps(request).encode("ascii") + b"\n")
                child.stdin.flush()
            except OSError as error:
                raise _Gone(self._why_gone(child)) from error
            facts = facts_from_json(self._answer(child, limit))
            told = self._answer(child, limit)
            while "alive" in told:
                limit.renew()
                told = self._answer(child, limit)
            health = health_from_json(told)
            drawn = self._answer(child, limit)
            return ProbeResult(
                item.key,
                facts,
                poster_made=drawn.get("made") is True,
                health=health,
                slate_made=drawn.get("slate") is True,
                problem=str(drawn.get("problem") or ""),
            )
        except _Gone as error:
            self._end_child()
            for out in (item.poster_out, item.slate_out):
                if out is not None:
                    with contextlib.suppress(OSError):
                        os.unlink(out + ".unfinished")
            if facts is None:
                return _lost(item, f"it could not be probed: {error}")
            what = "It could not be looked at" if health is None else "No poster could be drawn"
            said = f"{what}: {error}."
            facts = replace(facts, doubts=(*facts.doubts, said))
            return ProbeResult(item.key, facts, False, health or lost(said), problem=said)

    def _started(self) -> subprocess.Popen[bytes]:
        with self._lock:
            if self._stopped:
                raise _Gone("it was stopped")
            if self._child is None:
                self._rest = b""
                self._child = subprocess.Popen(
                    # -P: nothing is imported from the folder that happens to be current
                    [sys.executable, "-P", "-c", _CHILD, _HOME],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                    close_fds=True,
                )
            return self._child

    def _answer(self, child: subprocess.Popen[bytes], limit: _Limit) -> Mapping[str, object]:
        """The child's next line. Raises _Gone on its end, its time limit, or nonsense."""
        assert child.stdout is not None
        with selectors.DefaultSelector() as selector:
            selector.register(child.stdout, selectors.EVENT_READ)
            while b"\n" not in self._rest:
                if (left := limit.left_s()) <= 0:
                    raise _Gone(f"the decoder gave no answer within {self._timeout_s:g} s")
                if not selector.select(left):
                    continue
                got = os.read(child.stdout.fileno(), 1 << 16)
                if not got:
                    raise _Gone(self._why_gone(child))
                self._rest += got
                if len(self._rest) > _LARGEST_ANSWER:
                    raise _Gone("the decoder's answer is too large")
        line, _, self._rest = self._rest.partition(b"\n")
        try:
            answer = json.loads(line)
        except ValueError as error:
            raise _Gone("the decoder's answer makes no sense") from error
        if not isinstance(answer, dict):
            raise _Gone("the decoder's answer makes no sense")
        return answer

    def _why_gone(self, child: subprocess.Popen[bytes]) -> str:
        with contextlib.suppress(subprocess.TimeoutExpired):
            code = child.wait(5)
            return f"the decoder crashed (signal {-code})" if code < 0 else "the decoder ended"
        return "the decoder closed its pipe"

    def _end_child(self) -> None:
        with self._lock:
            child, self._child = self._child, None
        if child is None:
            return
        child.kill()
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        child.wait()


def _lost(item: ProbeItem, why: str) -> ProbeResult:
    said = f"{why[:1].upper()}{why[1:]}."
    facts = ClipFacts(kind=kind_of_name(item.path), doubts=(said,))
    return ProbeResult(item.key, facts, False, lost(said), problem=said)
