"""Scratch tracks heard against sound files, from the copies that can be read now."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Mapping, Sequence
from importlib.util import find_spec

from ingest.catalog.catalog import Catalog
from ingest.jobs.find import Wanted, find
from ingest.slate.matching.by_waveform import Sounded
from ingest.wording import counted

__all__ = ["Listener"]

_LIMIT_S = 60.0
_MOST_KEPT = 64 << 20
"""Bytes of decoded sound kept for the next comparison: more than an hour of takes."""


class Listener:
    """Compares clips with sound files, each pair once; `remarks` says what was not compared."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        """`tell` takes the line that says how much is compared, before it begins."""
        self._tell = tell
        self._known: dict[tuple[int, int], Sounded] = {}
        self._kept: dict[str, array[int] | None] = {}
        self.remarks: tuple[str, ...] = ()

    def __call__(
        self, catalog: Catalog, production: str, pairs: Sequence[tuple[int, int]]
    ) -> Mapping[tuple[int, int], Sounded]:
        """What the waveforms say of these clips (ids of picture and sound file)."""
        if not pairs:
            return {}
        missing = [name for name in ("numpy", "scipy") if find_spec(name) is None]
        if missing:
            said = f"Waveforms were not compared: {' and '.join(missing)} not installed."
            self.remarks = (f'{said} Do: pip install "ingest[match]"',)
            return {}
        todo = [pair for pair in pairs if pair not in self._known]
        if todo:
            self._compare(todo, _paths(catalog, production, todo))
        return {pair: self._known[pair] for pair in pairs}

    def _compare(self, todo: Sequence[tuple[int, int]], paths: Mapping[int, str]) -> None:
        import numpy as np

        from ingest.media.looking.listening import HEARD_RATE
        from ingest.slate.matching.waveforms import Verdict, compare

        readable = [pair for pair in todo if paths.keys() >= set(pair)]
        if readable:
            pictures = len({picture for picture, _ in readable})
            sounds = len({sound for _, sound in readable})
            self._tell(
                f"Comparing waveforms: {counted(pictures, 'clip')} with "
                f"{counted(sounds, 'sound file')}."
            )
        failed: set[str] = set()
        for pair in todo:
            self._known[pair] = Sounded(None)
            if pair not in readable:
                continue
            one, other = (self._heard(paths[number]) for number in pair)
            if one is None or other is None:
                halves = zip(pair, (one, other), strict=True)
                failed.update(paths[number] for number, sound in halves if sound is None)
                continue
            first, second = (np.asarray(each, np.int16) / 32768 for each in (one, other))
            told = compare(first, HEARD_RATE, second, HEARD_RATE)
            if told.verdict is not Verdict.UNKNOWN:
                self._known[pair] = Sounded(told.verdict is Verdict.SAME, told.lag_s)
        away = len({picture for picture, _ in set(todo) - set(readable)})
        remarks = []
        if away:
            remarks.append(
                f"Waveforms of {counted(away, 'clip')} were not compared: clip or sound file is on "
                "no drive that is mounted."
            )
        if failed:
            remarks.append(f"Waveforms: {counted(len(failed), 'file')} can't be decoded.")
        self.remarks = (*self.remarks, *remarks)

    def _heard(self, path: str) -> array[int] | None:
        """The file's sound, or None where it can't be decoded; the oldest kept makes room."""
        from ingest.media.hearing import CannotHear, hear

        if path not in self._kept:
            try:
                sound = hear(path, timeout_s=_LIMIT_S)
            except CannotHear:
                sound = None
            while self._size() > _MOST_KEPT:
                oldest = next(key for key, kept in self._kept.items() if kept is not None)
                del self._kept[oldest]
            self._kept[path] = sound
        return self._kept[path]

    def _size(self) -> int:
        return sum(2 * len(kept) for kept in self._kept.values() if kept is not None)


def _paths(
    catalog: Catalog, production: str, pairs: Sequence[tuple[int, int]]
) -> Mapping[int, str]:
    """By clip id the copy of its first main file to read; none where no drive is mounted."""
    wanted = {number for pair in pairs for number in pair}
    return {
        found.clip.id: found.best[0].path
        for found in find(catalog, Wanted(), production=production)
        if found.clip.id in wanted and found.best and found.best[0] is not None
    }
