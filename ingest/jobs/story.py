"""What damaged, missing and set-wrong clips mean for the shots that were planned.

`damage_stories` is for whoever shows damage: the audit, the end of the day, the intake report.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from ingest.assurance.story import Held, LostClip, ShotStory, tell_story
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Clip, ClipRole, Copy, FileRecord, Roll, Sure
from ingest.evidence import State
from ingest.jobs.audit_values import Result
from ingest.jobs.devices import device_letter
from ingest.jobs.footage import footage_of
from ingest.jobs.holdings import Holdings, gather_holdings
from ingest.jobs.planned import planned_here
from ingest.media.facts import ClipKind
from ingest.settings import Settings

__all__ = ["audit_stories", "damage_stories", "lost_clips"]


def audit_stories(catalog: Catalog, settings: Settings, result: Result) -> tuple[ShotStory, ...]:
    """What clips that lost their last good copy mean, of the rolls in which an audit found
    something bad; nothing where it wrote nothing down."""
    if not result.recorded:
        return ()
    bad = {
        (roll.production, roll.roll)
        for drive in result.drives
        for roll in drive.rolls
        if any(state.is_bad and count for state, count in roll.states.items())
    }
    stories: list[ShotStory] = []
    for production in sorted({name for name, _ in bad} & set(catalog.productions())):
        rolls = [r for r in catalog.rolls(production=production) if (production, r.name) in bad]
        stories += damage_stories(catalog, settings, production, rolls=rolls, wrong_too=False)
    return tuple(stories)


def damage_stories(
    catalog: Catalog,
    settings: Settings,
    production: str,
    *,
    rolls: Sequence[Roll] | None = None,
    wrong_too: bool = True,
) -> tuple[ShotStory, ...]:
    """The shots of a production that lose a good take: what must be shot again first, then what is
    still covered and by what; each kind by the last day at its location.

    `rolls`: only losses in these; what covers is looked for in all. `wrong_too`: clips that were
    set wrong count as lost, beside those of which no good copy is left. Reads only.
    """
    every = catalog.rolls(production=production)
    clips = catalog.clips(every)
    chosen = {roll.id for roll in (every if rolls is None else rolls)}
    lost = list(lost_clips(clips, gather_holdings(catalog, settings, every)))
    if wrong_too and every:
        told = {one.clip for one in lost}
        odd: defaultdict[str, list[str]] = defaultdict(list)
        for one in footage_of(catalog, every, settings).oddities:
            if one.wrong and one.clip not in told:
                odd[one.clip].append(one.words)
        lost += [LostClip(clip, ", ".join(words)) for clip, words in odd.items()]
    here = {clip.full_name for clip in clips if clip.roll.id in chosen}
    return tell_story(
        [one for one in lost if one.clip in here],
        _held(catalog, clips),
        planned_here(catalog, settings, production),
    )


def _held(catalog: Catalog, clips: Sequence[Clip]) -> tuple[Held, ...]:
    links = catalog.links([clip.id for clip in clips])
    return tuple(
        Held(
            clip.full_name, device_letter(clip.roll), link.scene, link.take, link.shot, link.rating
        )
        for clip in clips
        if clip.facts.kind is ClipKind.PICTURE
        for link in links[clip.id]
        if link.sure is not Sure.OPEN
    )


def lost_clips(clips: Sequence[Clip], held: Holdings) -> Iterator[LostClip]:
    """Clips of which some part of the recording itself is known bad and has no good copy."""
    by_path: defaultdict[tuple[int, str], list[tuple[FileRecord, Sequence[tuple[Copy, State]]]]]
    by_path = defaultdict(list)
    for file, copies in held.files:
        by_path[file.roll_id, file.path].append((file, copies))
    for clip in clips:
        for part in clip.files:
            known = by_path[clip.roll.id, part.path]
            if part.role is not ClipRole.SPAN or not known:
                continue
            states = [state for _, copies in known for _, state in copies]
            bad = any(state.is_bad or state is State.DOUBTFUL for state in states)
            if bad and not any(held.good.get(file.id) for file, _ in known):
                yield LostClip(clip.full_name, "no good copy is left")
                break
