"""An audit on the way: a bar a drive, and bad news in any case."""

from __future__ import annotations

import shutil
import sys
import time
from typing import TYPE_CHECKING, Any, Self

from ingest.cli.terminal import Terminal, lines_for
from ingest.names import shown
from ingest.wording import size, whole

if TYPE_CHECKING:
    from tqdm import tqdm

    from ingest.jobs.audit_values import Event

__all__ = ["Screen", "spell_duration"]

_MOST = 20
"""Pieces of bad news that are told while it runs."""
_BAR = "{desc} {percentage:3.0f}% |{bar}|"


class Screen:
    """One bar a drive on standard error, when a terminal is there; bad news in any case."""

    def __init__(self, terminal: Terminal, unit: str, budget: float | None) -> None:
        self._terminal = terminal
        self._unit = unit
        self._budget = budget
        self._begun = time.monotonic()
        self._told = 0
        self._bars: list[tqdm[Any]] = []
        self._decoding: tqdm[Any] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        for bar in self._bars:
            bar.close()

    def tell(self, event: Event) -> None:
        from ingest.jobs.audit_adding import Estimate
        from ingest.jobs.audit_values import Found

        if isinstance(event, Estimate):
            rate = event.speed or 100_000_000
            told = f"the {size(int(rate))}/s of its last offload"
            if event.speed is None:
                told = "100 MB/s (its own speed was never measured)"
            self._terminal.note(
                f"{shown(event.drive)}: {size(event.bytes)} to read, about "
                f"{spell_duration(event.bytes / rate)} at {told}."
            )
            return
        if isinstance(event, Found):
            self._told += 1
            if self._told > _MOST:
                return  # the end tells how many there are
            problem = event.problem
            line = f"{shown(problem.drive)}: {whole(problem.path)}: {problem.state}"
            if self._bars:
                self._bars[0].write(lines_for(sys.stderr, line), file=sys.stderr, end="")
            else:
                self._terminal.note(line)
            return
        if not self._terminal.bars:
            return
        if not self._bars:
            self._open(event.names, event.total)
        spent = max(time.monotonic() - self._begun, 0.001)
        for bar, done, total in zip(self._bars, event.done, event.total, strict=True):
            bar.n = min(done, total)
            bar.bar_format = f"{_BAR} {self._text(done, total, spent)}"
            bar.refresh()

    def looked(self, done: int, total: int) -> None:
        """A clip's file was decoded whole, of so many."""
        if not self._terminal.bars:
            return
        if self._decoding is None:
            from tqdm import tqdm

            self._decoding = tqdm(
                total=total, desc="decoding", position=len(self._bars), file=sys.stderr
            )
            self._bars.append(self._decoding)
        self._decoding.n = done
        self._decoding.refresh()

    def _open(self, names: tuple[str, ...], totals: tuple[int, ...]) -> None:
        from tqdm import tqdm

        if self._budget is not None:
            self._terminal.note(f"the stalest first, for {spell_duration(self._budget)}")
        width = shutil.get_terminal_size().columns
        room = min(24, max((len(shown(name)) for name in names), default=0))
        self._bars = [
            tqdm(
                total=total,
                desc=f"{shown(name)[:24]:<{room}}",
                position=place,
                file=sys.stderr,
                ncols=min(width, 100),
                bar_format=_BAR,
            )
            for place, (name, total) in enumerate(zip(names, totals, strict=True))
        ]

    def _text(self, done: int, total: int, spent: float) -> str:
        if self._unit != "B":
            return f"{done:,} of {total:,}"
        text = f"{size(done)}, {size(int(done / spent))}/s"
        if 0 < done < total:
            text += f", {spell_duration((total - done) * spent / done)} left"
        return text


def spell_duration(seconds: float) -> str:
    """`45 s`, `12 min`, `2.4 h`."""
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    return f"{round(seconds / 60)} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
