"""Clips, scenes and sums: the part of a report's facts that is about what was shot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.media.health import HealthState
from ingest.media.timecode import BadTimecode, from_label
from ingest.report.facts import ClipLength, ClipLine, FileLine, SceneLine, Sum, TakeLine
from ingest.slate.display import display_names
from ingest.slate.names import scene_key
from ingest.wording import natural

if TYPE_CHECKING:
    from ingest.assurance.footage.totals import Total
    from ingest.catalog.catalog import Catalog
    from ingest.catalog.records import Clip, Roll, TakeLink
    from ingest.media.health import Health

__all__ = ["gather_clips", "gather_scenes", "sum_of"]


def gather_clips(
    catalog: Catalog,
    rolls: Sequence[Roll],
    clips: Sequence[Clip],
    files: Mapping[int, Sequence[FileLine]],
    display: str | None = None,
) -> tuple[ClipLine, ...]:
    """The clips of these rolls, as lines. `display`: the pattern of their names."""
    links = catalog.links([clip.id for clip in clips])
    names = _display_names(catalog, rolls, clips, links, display)
    posters = catalog.posters
    by_path: dict[tuple[int, str], list[FileLine]] = defaultdict(list)
    for roll_id, lines in files.items():
        for line in lines:
            by_path[roll_id, line.path].append(line)
    return tuple(
        replace(_clip(clip, links.get(clip.id, ()), by_path, posters), display=names.get(clip.id))
        for clip in clips
    )


def _display_names(
    catalog: Catalog,
    rolls: Sequence[Roll],
    clips: Sequence[Clip],
    links: Mapping[int, Sequence[TakeLink]],
    pattern: str | None,
) -> Mapping[int, str]:
    """Names are each other's own in the whole production, whatever part the report is of."""
    every = catalog.rolls(production=rolls[0].production) if rolls else ()
    others = catalog.clips([roll for roll in every if roll.id not in {one.id for one in rolls}])
    more = catalog.links([clip.id for clip in others]) if others else {}
    return display_names([*clips, *others], {**links, **more}, pattern)


def _clip(
    clip: Clip,
    links: Sequence[TakeLink],
    by_path: Mapping[tuple[int, str], Sequence[FileLine]],
    posters: Path,
) -> ClipLine:
    facts = clip.facts
    # Sound has no frame rate of its own; its recorder says at which its timecode counts.
    rate = facts.frame_rate or (facts.sound.timecode_rate if facts.sound else None)
    health = clip.health
    audio = [track for track in facts.audio if track.channels is not None]
    return ClipLine(
        name=clip.full_name,
        roll=clip.roll.name,
        day=clip.roll.day,
        camera=clip.roll.camera,
        kind=facts.kind.value,
        takes=tuple(
            TakeLine(
                scene=link.scene,
                take=link.take,
                shot=link.shot,
                rating=link.rating.value if link.rating else None,
                sure=link.sure.value,
                basis=link.basis,
                note=link.note,
            )
            for link in links
        ),
        start_timecode=facts.start_timecode,
        end_timecode=_end(facts.start_timecode, rate, facts.duration_seconds),
        duration_seconds=facts.duration_seconds,
        frame_rate=facts.frame_rate,
        variable_rate=facts.variable_rate,
        width=facts.width,
        height=facts.height,
        codec=" ".join(part for part in (facts.codec, facts.profile) if part) or None,
        container=facts.container,
        channels=sum(track.channels or 0 for track in audio) or None,
        sample_rate=next((track.sample_rate for track in audio if track.sample_rate), None),
        recorded=facts.recorded,
        doubts=facts.doubts,
        health=health.state.value if health is not None else None,
        findings=_findings(health),
        files=tuple(
            line for file in clip.files for line in by_path.get((clip.roll.id, file.path), ())
        ),
        # A poster's name is one of our own making; anything with a folder in it is not.
        poster=posters / clip.poster if clip.poster and "/" not in clip.poster else None,
    )


def _findings(health: Health | None) -> tuple[str, ...]:
    if health is None:
        return ()
    said = [finding.words for finding in health.findings]
    # Of a broken clip, why it wasn't decoded only says again what is wrong with it.
    if health.unchecked and health.state is not HealthState.BROKEN:
        said.append(health.unchecked)
    return tuple(dict.fromkeys(said))


def _end(label: str | None, rate: Fraction | None, seconds: Fraction | None) -> str | None:
    """The timecode of the first frame after the clip, in the mode of the label it starts with."""
    if label is None or rate is None or seconds is None:
        return None
    try:
        return from_label(label, rate).plus(round(seconds * rate)).label
    except BadTimecode:
        return None


def gather_scenes(
    clips: Sequence[ClipLine], owed: Mapping[str, Sequence[str]]
) -> tuple[SceneLine, ...]:
    """What came in of each scene that any clip is linked to, and of each that owes a shot.

    `owed`: scene to its planned shots without a good take. Scenes are the same whatever the case
    they are written in (`slate.names.scene_key`).
    """
    held: defaultdict[str, list[ClipLine]] = defaultdict(list)
    shots = {scene_key(scene): tuple(its) for scene, its in owed.items()}
    for clip in clips:
        for scene in dict.fromkeys(take.scene for take in clip.takes):
            held[scene].append(clip)
    here = {scene_key(scene) for scene in held}
    for scene in owed:
        if scene_key(scene) not in here:
            held[scene] = []
    return tuple(
        replace(_scene(scene, held[scene]), owed=shots.get(scene_key(scene), ()))
        for scene in sorted(held, key=natural)
    )


def _scene(scene: str, clips: Sequence[ClipLine]) -> SceneLine:
    takes = [take for clip in clips for take in clip.takes if take.scene == scene]
    pictures = [clip for clip in clips if clip.kind == "picture"]
    return SceneLine(
        scene=scene,
        takes=len({take.take for take in takes}),
        circled=len({take.take for take in takes if take.rating == "circled"}),
        clips=len(clips),
        cameras=tuple(sorted({clip.camera or "none" for clip in pictures}, key=natural)),
        sound=any(clip.kind == "sound" for clip in clips),
        seconds=sum((clip.duration_seconds or Fraction(0) for clip in pictures), Fraction(0)),
    )


def sum_of(total: Total, of: str) -> Sum:
    """A total of what was shot, under the name that the report gives it."""
    return Sum(
        of=of,
        clips=total.clips,
        files=total.files,
        bytes=total.bytes,
        seconds=total.seconds,
        timed_bytes=total.timed_bytes,
        untimed=total.untimed,
        longest=_length(total.longest),
        shortest=_length(total.shortest),
    )


def _length(clip: Clip | None) -> ClipLength | None:
    seconds = clip.facts.duration_seconds if clip is not None else None
    return ClipLength(clip.full_name, seconds) if clip is not None and seconds is not None else None
