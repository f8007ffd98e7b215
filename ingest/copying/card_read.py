"""The record of the card's one read, which everything is compared with."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ingest.copying.values import CardState

__all__ = ["CardReadOf", "Reads"]

_WAIT = 0.5


@dataclass(frozen=True, slots=True)
class CardReadOf:
    """The card's one read of a file."""

    state: CardState
    detail: str
    samples: str
    digests: Mapping[str, str]


class Reads:
    """What the card's read gave for each file, filled by the reader and the checksum workers."""

    def __init__(
        self, count: int, kinds: int, expected: Sequence[Mapping[str, str] | None] = ()
    ) -> None:
        self._kinds = kinds
        self._expected = expected
        self._states: list[CardState] = [CardState.NOT_REACHED] * count
        self._details: dict[int, str] = {}
        self._digests: list[dict[str, str]] = [{} for _ in range(count)]
        self._samples: list[str] = [""] * count
        self._changed = threading.Condition()
        self._waiting = 0
        self._ended = False

    def digest(self, task: int, kind: str, digest: str, samples: str) -> None:
        with self._changed:
            if samples:
                self._samples[task] = samples
            self._digests[task][kind] = digest
            self._wake()

    def settle(self, task: int, state: CardState, detail: str = "") -> None:
        """The reader is done with this file, one way or the other."""
        with self._changed:
            self._states[task] = state
            if detail:
                self._details[task] = detail
            self._wake()

    def end(self) -> None:
        """The reader has ended: what isn't settled yet never will be."""
        with self._changed:
            self._ended = True
            self._wake()

    def _wake(self) -> None:
        if self._waiting:
            self._changed.notify_all()

    def is_settled(self, task: int) -> bool:
        """Nothing more will be learnt of it: it failed, it was read and every digest is in, or
        the reader ended before."""
        state = self._states[task]
        if state is CardState.READ:
            return len(self._digests[task]) == self._kinds
        return self._ended or state is not CardState.NOT_REACHED

    def wait(self, task: int, stop: threading.Event) -> None:
        """Until a file is settled, or it was stopped."""
        if not self.is_settled(task):
            with self._changed:
                self._waiting += 1
                try:
                    while not self._changed.wait_for(lambda: self.is_settled(task), _WAIT):
                        if stop.is_set():
                            break
                finally:
                    self._waiting -= 1

    def of(self, task: int) -> CardReadOf:
        """The card's read of a file as it stands now."""
        state = self._states[task]
        detail = self._details.get(task, "")
        if state is CardState.READ and not self.is_settled(task):
            return CardReadOf(CardState.NOT_REACHED, "stopped", "", {})
        if state is not CardState.READ:
            return CardReadOf(state, detail, "", {})
        digests = self._digests[task]
        expected = self._expected[task] if self._expected else None
        if expected is not None and not _agree(expected, digests):
            state, detail = CardState.OTHER, "it is not what was copied first"
        return CardReadOf(state, detail, self._samples[task], digests)


def _agree(expected: Mapping[str, str], digests: Mapping[str, str]) -> bool:
    """At least one kind in common, and no digest of a common kind differs."""
    common = expected.keys() & digests.keys()
    return bool(common) and all(expected[kind] == digests[kind] for kind in common)
