"""Links weighed by what was heard: a clip's scratch track against sound files. Pure.

`pairs` says what is worth comparing, `weigh` what follows from it. A clip whose links are sure
or set by hand is left alone. The comparison itself is `ingest.slate.matching.waveforms`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from ingest.catalog.records import Clip, Sure, TakeLink
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.matching.clocks_heard import heard_clocks, worth_hearing
from ingest.slate.matching.whole import Matching
from ingest.slate.names import parse_take, scene_order, take_order
from ingest.slate.naming import scope_of
from ingest.slate.pool import Key, row_key, said_take, take_of
from ingest.slate.questions import Answer
from ingest.wording import counted

__all__ = ["METHOD", "Sounded", "further_pairs", "pairs", "weigh"]

METHOD = 1
"""The way of decoding and comparing: counted up when it begins to say anything else, so that what
was kept of an earlier one doesn't count."""
_MOST = 40
"""Sound files that a clip without any take is compared with."""


@dataclass(frozen=True, slots=True)
class Sounded:
    """What the waveforms of a clip and a sound file say."""

    same: bool | None
    """None: nothing can be said."""
    lag_s: float | None = None
    """Seconds by which the sound file starts after the picture, where it is the same sound."""


def pairs(clips: Sequence[Clip], found: Matching) -> tuple[tuple[int, int], ...]:
    """Ids of picture and sound file to compare: for each link that is likely or open, the sound
    files of its take; for a clip without a take, the sound files of its day, at most 40, those
    that no other clip of its camera holds first; and a few sure ones of each camera whose clock
    would be known better by it."""
    sounds = _sounds(clips, found)
    links = _by_clip(found)
    taken: set[tuple[int | None, str | None, Key]] = set()
    for clip in clips:
        if clip.facts.kind is ClipKind.PICTURE:
            for link in links.get(clip.id, ()):
                if link.sure is not Sure.OPEN:
                    taken.add((clip.roll.day, clip.roll.camera, take_of(link.scene, link.take)))
    chosen = []
    wanting = worth_hearing(clips, found)
    for clip in clips:
        if clip.facts.kind is not ClipKind.PICTURE or not clip.facts.audio:
            continue
        own = links.get(clip.id, [])
        if any(link.by_hand for link in own):
            continue
        if own:
            wanted = [
                sound
                for link in own
                if link.sure is not Sure.SURE or clip.id in wanting
                for sound in _of_take(sounds, link, clip)
            ]
        else:
            wanted = _of_day(sounds, clip, taken)
        chosen += [(clip.id, sound.id) for sound, _ in wanted]
    return tuple(dict.fromkeys(chosen))


def further_pairs(
    clips: Sequence[Clip], found: Matching, heard: Mapping[tuple[int, int], Sounded]
) -> tuple[tuple[int, int], ...]:
    """Ids to compare next: clips whose every link was refuted, with the other sound files of
    their day, as those without a take."""
    sounds, links = _sounds(clips, found), _by_clip(found)
    return tuple(
        (clip.id, sound.id)
        for clip in clips
        if _is_refuted(clip, links.get(clip.id, ()), sounds, heard)
        for sound, _ in _of_day(sounds, clip, frozenset())
        if (clip.id, sound.id) not in heard
    )


def _of_day(
    sounds: Mapping[Key, Sequence[Clip]],
    clip: Clip,
    taken: Container[tuple[int | None, str | None, Key]],
) -> list[tuple[Clip, Key]]:
    wanted = [
        (sound, key)
        for key, some in sounds.items()
        for sound in some
        if sound.roll.day == clip.roll.day
    ]
    wanted.sort(key=lambda each: (clip.roll.day, clip.roll.camera, each[1]) in taken)
    return wanted[:_MOST]


def _is_refuted(
    clip: Clip,
    own: Sequence[TakeLink],
    sounds: Mapping[Key, Sequence[Clip]],
    heard: Mapping[tuple[int, int], Sounded],
) -> bool:
    """Whether it was compared with the sound of every take that it is linked to, and no agreed."""
    if any(link.by_hand or link.sure is Sure.SURE for link in own):
        return False
    told = [
        [heard.get((clip.id, sound.id)) for sound, _ in _of_take(sounds, link, clip)]
        for link in own
    ]
    return bool(told) and all(
        some and all(said is not None and said.same is False for said in some) for some in told
    )


def weigh(
    clips: Sequence[Clip], found: Matching, heard: Mapping[tuple[int, int], Sounded]
) -> Matching:
    """The matching after what was heard; the basis of each link says so in words.

    A link whose sound agrees becomes sure. One whose sound is another becomes open, or goes
    where the clip agrees with another take; where it agrees with one that nothing names, a person
    is asked. A clip without a take is likely the take whose sound it holds: one ground alone.
    Where several takes agree (music played back, a series) none becomes surer by it.
    """
    sounds = _sounds(clips, found)
    links = _by_clip(found)
    said_by = {(link.clip_id, take_of(link.scene, link.take)): link for link in found.links}
    weighed: list[TakeLink] = []
    for clip in clips:
        own = links.get(clip.id, [])
        if any(link.by_hand for link in own):
            weighed += own
        elif own:
            weighed += _weighed(clip, own, sounds, heard)
        else:
            weighed += _found(clip, sounds, said_by, heard)
    asked = {
        clip.id: tuple(Answer(link.scene, link.take, link.basis) for link in agreed)
        for clip in clips
        if _is_refuted(clip, links.get(clip.id, ()), sounds, heard)
        and (agreed := _found(clip, sounds, said_by, heard))
    }
    linked = {link.clip_id for link in weighed}
    new = [
        (clip, link)
        for link in weighed
        if not links.get(link.clip_id)
        for clip in clips
        if clip.id == link.clip_id
    ]
    return replace(
        found,
        clocks=heard_clocks(found, {pair: said.lag_s for pair, said in heard.items() if said.same}),
        links=tuple(weighed),
        rows_without_clip=tuple(
            row
            for row in found.rows_without_clip
            if row.clip
            or not any(
                row_key(row) == take_of(link.scene, link.take) and not scope_of(row, clip).denied
                for clip, link in new
            )
        ),
        clips_without_take=tuple(c for c in found.clips_without_take if c.id not in linked),
        candidates={
            number: answers
            for number, answers in (dict(found.candidates) | asked).items()
            if not any(each.clip_id == number and each.sure is not Sure.OPEN for each in weighed)
        },
    )


def _weighed(
    clip: Clip,
    own: Sequence[TakeLink],
    sounds: Mapping[Key, Sequence[Clip]],
    heard: Mapping[tuple[int, int], Sounded],
) -> list[TakeLink]:
    agreed: dict[int, str] = {}
    others: dict[int, str] = {}
    for place, link in enumerate(own):
        if link.sure is Sure.SURE:
            continue
        told = [
            (sound, said)
            for sound, _ in _of_take(sounds, link, clip)
            if (said := heard.get((clip.id, sound.id))) is not None
        ]
        same = next(((sound, said) for sound, said in told if said.same), None)
        if same is not None:
            agreed[place] = _agree(clip, *same)
        elif told and all(said.same is False for _, said in told):
            names = ", ".join(shown(sound.full_name) for sound, _ in told[:2])
            others[place] = f"the waveforms differ from {names}"
    weighed = []
    for place, link in enumerate(own):
        if place in agreed:
            gone = [
                f"not {said_take(own[n].scene, own[n].take)}: {words}"
                for n, words in others.items()
            ]
            basis = "; ".join([link.basis, agreed[place], *gone])
            sure = Sure.SURE if len(agreed) == 1 else link.sure
            weighed.append(replace(link, sure=sure, basis=basis))
        elif place in others:
            if not agreed:
                basis = f"{link.basis}; but {others[place]}"
                weighed.append(replace(link, sure=Sure.OPEN, basis=basis))
        else:
            weighed.append(link)
    return weighed


def _found(
    clip: Clip,
    sounds: Mapping[Key, Sequence[Clip]],
    said_by: Mapping[tuple[int, Key], TakeLink],
    heard: Mapping[tuple[int, int], Sounded],
) -> list[TakeLink]:
    """Links of a clip that had none: likely, or open where several takes agree."""
    made: dict[Key, TakeLink] = {}
    for key, some in sounds.items():
        for sound in some:
            said = heard.get((clip.id, sound.id))
            if said is not None and said.same and key not in made:
                made[key] = replace(
                    said_by[sound.id, key],
                    clip_id=clip.id,
                    basis=_agree(clip, sound, said),
                    by_hand=False,
                )
    sure = Sure.LIKELY if len(made) == 1 else Sure.OPEN
    return sorted(
        (replace(link, sure=sure) for link in made.values()),
        key=lambda each: (scene_order(each.scene), take_order(each.take)),
    )


def _agree(clip: Clip, sound: Clip, said: Sounded) -> str:
    """`the waveforms agree with S01/12-T03, which starts 3 frames after the picture`."""
    lag, rate = said.lag_s or 0.0, clip.facts.frame_rate
    if rate:
        frames = round(Fraction(lag) * rate)
        amount, nothing = counted(abs(frames), "frame"), frames == 0
    else:
        amount, nothing = f"{abs(lag):.2f} s", abs(lag) < 0.005
    side = "after" if lag > 0 else "before"
    when = "starts with the picture" if nothing else f"starts {amount} {side} the picture"
    return f"the waveforms agree with {shown(sound.full_name)}, which {when}"


def _sounds(clips: Sequence[Clip], found: Matching) -> dict[Key, list[Clip]]:
    """Sound files by the takes they are linked to, wild tracks and room tone left out."""
    by_id = {clip.id: clip for clip in clips}
    sounds: defaultdict[Key, list[Clip]] = defaultdict(list)
    for link in found.links:
        clip = by_id.get(link.clip_id)
        if clip is None or clip.facts.kind is not ClipKind.SOUND or link.sure is Sure.OPEN:
            continue
        if parse_take(link.take).has_picture:
            sounds[take_of(link.scene, link.take)].append(clip)
    return sounds


def _of_take(
    sounds: Mapping[Key, Sequence[Clip]], link: TakeLink, clip: Clip
) -> list[tuple[Clip, Key]]:
    key = take_of(link.scene, link.take)
    return [(sound, key) for sound in sounds.get(key, ()) if sound.roll.day == clip.roll.day]


def _by_clip(found: Matching) -> dict[int, list[TakeLink]]:
    links: defaultdict[int, list[TakeLink]] = defaultdict(list)
    for link in found.links:
        links[link.clip_id].append(link)
    return links
