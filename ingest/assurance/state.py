"""From the evidence of one copy to its state. Pure: no disk, no clock, no catalog.

What was seen last decides, with two exceptions: bad news stands until it is answered by enough
good news, and what proves little (a look, a few samples) can only ever make things worse.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from ingest.catalog.records import Look
from ingest.evidence import Act, Against, Route, State

__all__ = ["STRONG", "CopyState", "copy_state"]

STRONG = frozenset({Against.CARD, Against.CATALOG})
"""What a copy must have been compared with to carry a card to reuse."""

_FULL = frozenset({Act.READ_BACK, Act.AUDITED})


@dataclass(frozen=True, slots=True)
class CopyState:
    """What one copy is worth, and the piece of evidence that says so."""

    state: State
    route: Route | None
    against: Against
    at: datetime | None
    """When the deciding look was taken: for people, never for ordering."""
    why: str
    """The ground of the state, in words for people."""
    look: Look | None
    """The deciding piece of evidence; None without any."""
    remounted: bool = False
    """Every byte was read in a later mount than the one it was written in, so that on a device
    of this machine the cache of the writing can't have answered."""

    @property
    def proven(self) -> bool:
        """Equal to what the card gave, read from the device itself."""
        return self.state is State.MATCHED and self.route is Route.MEDIUM and self.against in STRONG


def copy_state(looks: Sequence[Look]) -> CopyState:
    """The state that the evidence of one copy gives.

    `looks`: all evidence of that copy, oldest first (the catalog's own sequence; the dates in
    it are not consulted).

    - Only a full read (read back, audited) that was compared with something makes `matched`.
    - Any bad look stands. A good full read after it makes `doubtful`, a second one in another
      mount (boot or mount differs) `matched`; so does the read-back of a run that wrote the copy
      anew. What was found bad against the card or the catalog is not answered by a list.
    - Of the good full reads since, the newest that proves most is quoted: one more weak read
      never takes a strong one away.
    - Written after that means `unverified` until it is read.
    - Lists alone make `claimed`; no evidence at all, or a look alone, `unverified`.
    """
    course = _Course()
    for position, look in enumerate(looks):
        if look.state.is_bad:
            course.bad_news(look)
        elif look.act is Act.WRITTEN:
            course.written(look)
        elif look.act in _FULL and _is_good(look):
            course.good_news(look, _in_later_mount(looks, position))
        elif look.act is Act.CLAIMED:
            course.claim = look
    return course.end(looks[-1] if looks else None)


def _is_good(look: Look) -> bool:
    return look.state is State.MATCHED and look.against is not Against.NOTHING


class _Course:
    """What has been learned on the way through the evidence."""

    def __init__(self) -> None:
        self.bad: Look | None = None
        self.answers: list[tuple[Look, bool]] = []
        self.good: tuple[Look, bool] | None = None
        self.unread: Look | None = None
        self.anew: str | None = None
        self.claim: Look | None = None

    def bad_news(self, look: Look) -> None:
        self.bad, self.answers, self.good = look, [], None
        self.unread, self.anew = None, None

    def written(self, look: Look) -> None:
        self.unread, self.anew, self.good = look, look.run, None
        self.answers = []

    def good_news(self, look: Look, remounted: bool) -> None:
        self.unread = None
        if self.bad is None:
            if self.good is None or _strength(look, remounted) >= _strength(*self.good):
                self.good = (look, remounted)
            return
        if self.bad.against in STRONG and look.against not in STRONG:
            return
        self.answers.append((look, remounted))
        anew = look.act is Act.READ_BACK and look.run == self.anew
        if anew or len({_mount(answer) for answer, _ in self.answers}) > 1:
            self.bad = None
            for answer in self.answers:
                if self.good is None or _strength(*answer) >= _strength(*self.good):
                    self.good = answer

    def end(self, last: Look | None) -> CopyState:
        if self.bad is not None:
            if not self.answers:
                return _as(self.bad, self.bad.state, _told(self.bad))
            once, remounted = self.answers[-1]
            why = f"{_told(self.bad)}; {_told(once)} since, which is not enough to trust it again"
            return _as(once, State.DOUBTFUL, why, remounted)
        if self.unread is not None:
            return _as(self.unread, State.UNVERIFIED, "written, not yet read back")
        if self.good is not None:
            look, remounted = self.good
            return _as(look, State.MATCHED, _told(look), remounted)
        if self.claim is not None:
            return _as(self.claim, State.CLAIMED, "a list says so; nobody has read it")
        if last is not None:
            return _as(last, State.UNVERIFIED, f"only {last.act} so far: its content is not known")
        return CopyState(State.UNVERIFIED, None, Against.NOTHING, None, "no evidence", None)


def _as(look: Look, state: State, why: str, remounted: bool = False) -> CopyState:
    return CopyState(state, look.route, look.against, look.at, why, look, remounted)


def _strength(look: Look, remounted: bool) -> tuple[bool, int]:
    route = 2 if look.route is Route.MEDIUM else int(remounted)
    return look.against in STRONG, route


def _mount(look: Look) -> tuple[str, str]:
    return look.observer.boot, look.mount


def _in_later_mount(looks: Sequence[Look], position: int) -> bool:
    """The copy was there in an earlier mount, and nothing wrote it in this one."""
    here = _mount(looks[position])
    if "" in here or "?" in here or "unknown" in here:
        return False
    before = [look for look in looks[:position] if look.act is not Act.CLAIMED]
    writings = [look for look in before if look.act in (Act.WRITTEN, Act.READ_BACK)]
    return bool(before) and (
        all(_mount(look) != here for look in writings)
        and any(_mount(look) != here and look.state is not State.MISSING for look in before)
    )


def _told(look: Look) -> str:
    text = f"{look.state} when {look.act} on {look.at:%Y-%m-%d}"
    if look.state is State.MATCHED:
        text += f", compared with {look.against}"
        if look.route is not Route.MEDIUM:
            text += ", cache possible"
    elif look.detail:
        text += f" ({look.detail})"
    return text
