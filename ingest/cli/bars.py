"""Progress in a terminal: a bar for the card and one for each drive, and who is slow."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from datetime import datetime, timedelta
from types import TracebackType
from typing import Self

from tqdm import tqdm

from ingest.copying.values import CardRead, DriveStopped, Event, Progress
from ingest.names import shown
from ingest.wording import size

__all__ = ["CopyBars", "CopyLines"]

_LINE_EVERY_S = 30.0


class CopyBars:
    """Bars on standard error. A drive's bar counts bytes read back, which is what matters."""

    def __init__(self, total: int, drives: Sequence[tuple[str, int]], *, width: int) -> None:
        """`drives`: name and bytes to be checked there."""
        self._begun = time.monotonic()
        self._drives = drives
        names = ["card", *(shown(name) for name, _ in drives)]
        room = max(len(name) for name in names)
        self._totals = [total, *(count for _, count in drives)]
        self._bars = [
            tqdm(
                total=count,
                desc=f"{name[:24]:<{min(room, 24)}}",
                position=number,
                leave=True,
                file=sys.stderr,
                ncols=min(width, 100),
                bar_format="{desc} {percentage:3.0f}% |{bar}| {postfix}",
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

    def tell(self, event: Event) -> None:
        if isinstance(event, CardRead):
            tqdm.write("the card is read to its end; what is left is checking", file=sys.stderr)
        elif isinstance(event, DriveStopped):
            name = shown(self._drives[event.drive][0])
            tqdm.write(f"{name}: stopped, {event.why}; the others go on", file=sys.stderr)
        else:
            self._progress(event)

    def _progress(self, event: Progress) -> None:
        spent = max(time.monotonic() - self._begun, 0.001)
        counts = [event.read, *(meter.checked for meter in event.drives)]
        left = [
            self._left(whole, count, spent)
            for whole, count in zip(self._totals, counts, strict=True)
        ]
        slowest = max(range(1, len(left)), key=lambda number: left[number], default=0)
        for number, (bar, count) in enumerate(zip(self._bars, counts, strict=True)):
            whole = self._totals[number]
            bar.n = min(count, whole)
            text = f"{size(count)}, {size(int(count / spent))}/s"
            if count < whole and left[number] < 360_000:
                end = datetime.now() + timedelta(seconds=left[number])
                text += f", {_clock(left[number])} left, ends {end:%H:%M}"
            others = max((left[one] for one in range(1, len(left)) if one != number), default=0.0)
            if number == slowest and number and len(left) > 2 and left[number] > 1.2 * others + 1:
                text += " (slowest)"
            bar.set_postfix_str(text, refresh=False)
            bar.refresh()

    @staticmethod
    def _left(total: int, count: int, spent: float) -> float:
        return (total - count) * spent / count if count else float("inf")


class CopyLines:
    """Without a terminal: a line now and then."""

    def __init__(self, total: int, drives: Sequence[tuple[str, int]]) -> None:
        self._total = total
        self._drives = drives
        self._said = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        pass

    def tell(self, event: Event) -> None:
        if isinstance(event, DriveStopped):
            self._say(f"{shown(self._drives[event.drive][0])}: stopped, {event.why}")
        elif isinstance(event, Progress) and time.monotonic() - self._said > _LINE_EVERY_S:
            self._said = time.monotonic()
            checked = ", ".join(
                f"{shown(name)} {size(meter.checked)}"
                for (name, _), meter in zip(self._drives, event.drives, strict=True)
            )
            self._say(f"read {size(event.read)} of {size(self._total)}; checked: {checked}")

    @staticmethod
    def _say(line: str) -> None:
        sys.stderr.write(line + "\n")
        sys.stderr.flush()


def _clock(seconds: float) -> str:
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
