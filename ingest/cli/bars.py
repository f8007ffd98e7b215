"""Progress in a terminal: a bar for the card and one for each drive, and who is slow."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import partial
from types import TracebackType
from typing import Self

from ingest.cli.terminal import lines_for
from ingest.copying.values import DriveStopped, Event, Progress
from ingest.names import shown
from ingest.wording import size

__all__ = ["CopyBars", "CopyLines"]

_LINE_EVERY_S = 30.0
_BAR = "{desc} {percentage:3.0f}% |{bar}|"


class _Sums:
    """Progress of several cards added up: one figure a card, one a drive."""

    def __init__(self, cards: int, drives: int) -> None:
        self._cards: list[Progress | None] = [None] * cards
        self._drives = drives

    def take(self, card: int, event: Progress) -> None:
        self._cards[card] = event

    def read(self) -> list[int]:
        return [one.read if one is not None else 0 for one in self._cards]

    def checked(self) -> list[int]:
        """Bytes read back: what matters on a drive."""
        return [
            sum(one.drives[number].checked for one in self._cards if one is not None)
            for number in range(self._drives)
        ]


class CopyBars:
    """A bar for each card and each drive, on standard error. To be told from any thread."""

    def __init__(
        self, cards: Sequence[tuple[str, int]], drives: Sequence[tuple[str, int]], *, width: int
    ) -> None:
        """Names and bytes: to be read from each card, to be checked on each drive."""
        from tqdm import tqdm

        self._begun = time.monotonic()
        self._write = partial(tqdm.write, file=sys.stderr, end="")
        self._cards = len(cards)
        self._drives = [shown(name) for name, _ in drives]
        self._sums = _Sums(len(cards), len(drives))
        self._lock = threading.Lock()
        names = [*(shown(name) for name, _ in cards), *self._drives]
        self._totals = [*(count for _, count in cards), *(count for _, count in drives)]
        room = min(24, max(len(name) for name in names))
        self._bars = [
            tqdm(
                total=count,
                desc=f"{name[:24]:<{room}}",
                position=number,
                leave=True,
                file=sys.stderr,
                ncols=min(width, 100),
                bar_format=_BAR,
            )
            for number, (name, count) in enumerate(zip(names, self._totals, strict=True))
        ]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for bar in self._bars:
            bar.close()

    def tell(self, card: int, event: Event) -> None:
        with self._lock:
            # CardRead says nothing here: the card is looked at once more before it may go.
            if isinstance(event, DriveStopped):
                name = self._drives[event.drive]
                line = f"{name}: stopped, {event.why}; the others go on"
                self._write(lines_for(sys.stderr, line))
            elif isinstance(event, Progress):
                self._sums.take(card, event)
                self._draw()

    def say(self, line: str) -> None:
        """A line above the bars."""
        with self._lock:
            self._write(lines_for(sys.stderr, line))

    def _draw(self) -> None:
        spent = max(time.monotonic() - self._begun, 0.001)
        counts = [*self._sums.read(), *self._sums.checked()]
        left = [
            (whole - count) * spent / count if count else float("inf")
            for whole, count in zip(self._totals, counts, strict=True)
        ]
        slow = self._slowest(left)
        for number, (bar, count) in enumerate(zip(self._bars, counts, strict=True)):
            whole = self._totals[number]
            bar.n = min(count, whole)
            text = f"{size(count)}, {size(int(count / spent))}/s"
            if count < whole and left[number] < 360_000:
                end = datetime.now() + timedelta(seconds=left[number])
                text += f", {_clock(left[number])} left, ends {end:%H:%M}"
            if number == slow:
                text += " (slowest)"
            bar.bar_format = f"{_BAR} {text}"
            bar.refresh()

    def _slowest(self, left: Sequence[float]) -> int | None:
        """The drive that the others wait for, when there is one worth naming."""
        drives = sorted(range(self._cards, len(left)), key=lambda number: left[number])
        if len(drives) < 2 or left[drives[-1]] <= 1.2 * left[drives[-2]] + 1:
            return None
        return drives[-1]


class CopyLines:
    """Without a terminal: a line now and then."""

    def __init__(self, cards: Sequence[tuple[str, int]], drives: Sequence[tuple[str, int]]) -> None:
        self._total = sum(count for _, count in cards)
        self._drives = [shown(name) for name, _ in drives]
        self._sums = _Sums(len(cards), len(drives))
        self._said = time.monotonic()
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        pass

    def tell(self, card: int, event: Event) -> None:
        with self._lock:
            if isinstance(event, DriveStopped):
                self._say(f"{self._drives[event.drive]}: stopped, {event.why}")
            elif isinstance(event, Progress):
                self._sums.take(card, event)
                if time.monotonic() - self._said > _LINE_EVERY_S:
                    self._said = time.monotonic()
                    self._say(self._line())

    def say(self, line: str) -> None:
        with self._lock:
            self._say(line)

    def _line(self) -> str:
        checked = ", ".join(
            f"{name} {size(count)}"
            for name, count in zip(self._drives, self._sums.checked(), strict=True)
        )
        return f"read {size(sum(self._sums.read()))} of {size(self._total)}; checked: {checked}"

    @staticmethod
    def _say(line: str) -> None:
        sys.stderr.write(line + "\n")
        sys.stderr.flush()


def _clock(seconds: float) -> str:
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
