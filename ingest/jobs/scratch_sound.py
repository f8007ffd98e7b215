"""Scratch tracks heard against sound files, from the copies that can be read now."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from importlib.util import find_spec

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Clip, ClipRole, ComparedSound, Observer
from ingest.jobs.find import Wanted, find
from ingest.slate.matching.by_waveform import METHOD, Sounded
from ingest.wording import counted

__all__ = ["Listener", "recall"]

_LIMIT_S = 60.0
_MOST_KEPT = 64 << 20
"""Bytes of decoded sound kept for the next comparison: more than an hour of takes."""


def recall(
    catalog: Catalog, clips: Sequence[Clip], pairs: Sequence[tuple[int, int]]
) -> Mapping[tuple[int, int], Sounded]:
    """What the catalog knows of the waveforms of these clips (`pairs`: ids of picture and sound
    file); nothing is listened to."""
    known = _known(catalog, _contents(catalog, clips, pairs), pairs)
    return {pair: _sounded(one) for pair, one in known.items()}


class Listener:
    """Compares clips with sound files, each pair once for as long as both files stay what they
    are; `remarks` says what was not compared."""

    def __init__(self, tell: Callable[[str], None], observer: Observer) -> None:
        """`tell` takes the line that says how much is compared, before it begins."""
        self._tell = tell
        self._observer = observer
        self._told: dict[tuple[int, int], Sounded] = {}
        self._kept: dict[str, array[int] | None] = {}
        self.remarks: tuple[str, ...] = ()

    def __call__(
        self, catalog: Catalog, clips: Sequence[Clip], pairs: Sequence[tuple[int, int]]
    ) -> Mapping[tuple[int, int], Sounded]:
        """What the waveforms say of these clips (`pairs`: ids of picture and sound file), all of
        one production."""
        if not pairs:
            return {}
        contents = _contents(catalog, clips, pairs)
        known = _known(catalog, contents, pairs)
        self._told.update((pair, _sounded(one)) for pair, one in known.items())
        todo = [pair for pair in pairs if pair not in self._told]
        missing = [name for name in ("numpy", "scipy") if find_spec(name) is None]
        if todo and missing:
            said = f"Waveforms were not compared: {' and '.join(missing)} not installed."
            self.remarks = (f'{said} Do: pip install "ingest[match]"',)
        elif todo:
            compared = self._compare(todo, _paths(catalog, clips[0].roll.production, todo))
            now = datetime.now(UTC)
            catalog.record_waveforms(
                self._observer,
                [
                    ComparedSound(contents[one], contents[other], METHOD, said.same, lag, now)
                    for (one, other), said in compared.items()
                    if one in contents and other in contents
                    for lag in [None if said.lag_s is None else round(said.lag_s * 1_000_000)]
                ],
            )
        return {pair: self._told[pair] for pair in pairs if pair in self._told}

    def _compare(
        self, todo: Sequence[tuple[int, int]], paths: Mapping[int, str]
    ) -> dict[tuple[int, int], Sounded]:
        """What was compared now; what couldn't be heard is left out, and remarked upon."""
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
        compared: dict[tuple[int, int], Sounded] = {}
        for pair in todo:
            self._told[pair] = Sounded(None)
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
                self._told[pair] = Sounded(told.verdict is Verdict.SAME, told.lag_s)
            compared[pair] = self._told[pair]
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
        return compared

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


def _sounded(known: ComparedSound) -> Sounded:
    return Sounded(known.same, None if known.lag_us is None else known.lag_us / 1_000_000)


def _known(
    catalog: Catalog, contents: Mapping[int, str], pairs: Sequence[tuple[int, int]]
) -> Mapping[tuple[int, int], ComparedSound]:
    """Which of these pairs were compared before, whatever the clips were called then."""
    usable = [pair for pair in pairs if contents.keys() >= set(pair)]
    if not usable:
        return {}
    known = catalog.waveforms({contents[picture] for picture, _ in usable}, METHOD)
    return {
        (one, other): known[contents[one], contents[other]]
        for one, other in usable
        if (contents[one], contents[other]) in known
    }


def _contents(
    catalog: Catalog, clips: Sequence[Clip], pairs: Sequence[tuple[int, int]]
) -> Mapping[int, str]:
    """By id of those clips that are in `pairs` what its first main file holds, `kind:digest`: the
    first kind by name that the one read of the card gave."""
    wanted = {number for pair in pairs for number in pair}
    own = [clip for clip in clips if clip.id in wanted]
    rolls = {clip.roll.id: clip.roll for clip in own}
    files = {(file.roll_id, file.path): file for file in catalog.files(list(rolls.values()))}
    found = {}
    for clip in own:
        path = next((file.path for file in clip.files if file.role is ClipRole.SPAN), None)
        file = files.get((clip.roll.id, path)) if path is not None else None
        kinds = sorted(file.digests.keys() - file.later) if file is not None else []
        if file is not None and kinds:
            found[clip.id] = f"{kinds[0]}:{file.digests[kinds[0]]}"
    return found


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
