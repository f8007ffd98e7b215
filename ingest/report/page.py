"""The report as one page that stands alone: opened from disk, with no network, scripts on or off.

Every text goes through `names.shown` and HTML escaping; a policy in the page allows only the
style and script that are in it, and pictures that are in it.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from importlib.resources import files as resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from ingest import wording as words
from ingest.names import shown
from ingest.report.facts import (
    ClipLine,
    CopyLine,
    DriveLine,
    IntakeFacts,
    OffloadLine,
    Problem,
)
from ingest.report.posters import Posters, embed
from ingest.report.timeline import Strip, draw

__all__ = ["render"]

_NO_SCENE = "No scene yet"
_FEW = 6


def render(facts: IntakeFacts, posters: Posters | None = None) -> str:
    """The page. Posters are read from disk when they aren't given."""
    pictures = embed(facts.clips) if posters is None else posters
    style, script = _inline("style.css"), _inline("page.js")
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_hash(style)}'; "
        f"script-src '{_hash(script)}'; base-uri 'none'; form-action 'none'"
    )
    answer, sign, as_of = facts.verdict.rpartition("(as of ")
    by_scene = any(clip.takes for clip in facts.clips)
    rows = _rows(facts, pictures)
    by_roll = {roll.name: [file for file in facts.files if file.roll == roll.name]
               for roll in facts.rolls}  # fmt: skip
    return (
        _environment()
        .get_template("intake.html.j2")
        .render(
            facts=facts,
            policy=policy,
            answer=answer.rstrip(),
            as_of=sign + as_of,
            style=style,
            script=script,
            posters=pictures,
            serious=[problem for problem in facts.problems if problem.serious],
            lesser=[problem for problem in facts.problems if not problem.serious],
            strips=draw(facts.clips),
            by_scene=by_scene,
            groups=_groups(rows, by_scene),
            cameras=sorted({clip.camera or "none" for clip in facts.clips}, key=words.natural),
            files_by_roll=[(roll, by_roll[roll.name]) for roll in facts.rolls],
            notes=[
                (offload.roll, *note)
                for offload in facts.offloads
                if offload.last
                for note in offload.notes
            ],
            kinds=sorted({kind for file in facts.files for kind in file.digests}),
            told=_told,
            folded=_folded,
            drive_words=_drive_words,
            evidence_words=_evidence_words,
            format_words=_format_words,
            copy_words=_copy_words,
            left_words=_left_words,
            strip_words=_strip_words,
        )
    )


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("ingest.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_safe,
    )
    environment.filters.update(
        counted=words.counted,
        fixed=lambda value: f"{value:.1f}",
        moment=words.moment,
        runs=words.length,
        shortened=words.shortened,
        size=words.size,
        speed=lambda value: words.speed(Fraction(value)),
        thousands=lambda value: f"{value:,}",
    )
    return environment


def _safe(value: Any) -> Any:
    return shown(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _inline(name: str) -> Markup:
    text = (resources("ingest.report") / "templates" / name).read_text(encoding="utf-8")
    return Markup(text)


def _hash(text: str) -> str:
    """A hash source for the page's policy (W3C Content Security Policy Level 3)."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")


@dataclass(frozen=True, slots=True)
class _Words:
    text: str
    bad: bool = False


@dataclass(frozen=True, slots=True)
class _Row:
    clip: ClipLine
    scene: str
    scene_rank: int
    rank: int
    take_rank: int
    seconds: float
    ratings: str
    poster: Markup | None
    copies: tuple[_Words, ...]


@dataclass(frozen=True, slots=True)
class _Group:
    title: str
    rows: tuple[_Row, ...]

    @property
    def count(self) -> int:
        return len(self.rows)

    @property
    def circled(self) -> int:
        return sum(row.clip.circled for row in self.rows)


def _rows(facts: IntakeFacts, posters: Posters) -> list[_Row]:
    scenes = sorted({clip.scene for clip in facts.clips if clip.scene}, key=words.natural)
    ranks = {scene: rank for rank, scene in enumerate(scenes)}
    clips = sorted(facts.clips, key=lambda clip: words.natural(clip.name))
    takes = {
        clip.name: rank
        for rank, clip in enumerate(
            sorted(clips, key=lambda clip: words.natural(clip.takes[0].take if clip.takes else ""))
        )
    }
    rows = []
    for rank, clip in enumerate(clips):
        uri = posters.uris.get(clip.name)
        rows.append(
            _Row(
                clip=clip,
                scene=f"Scene {clip.scene}" if clip.scene else _NO_SCENE,
                scene_rank=ranks.get(clip.scene or "", len(ranks)),
                rank=rank,
                take_rank=takes[clip.name],
                seconds=float(clip.duration_seconds or 0),
                ratings=" ".join(take.rating for take in clip.takes if take.rating)
                or ("unrated" if clip.takes else "none"),
                poster=Markup(uri) if uri else None,  # base64 that we made: nothing to escape
                copies=_clip_copies(clip, facts.wanted),
            )
        )
    return rows


def _groups(rows: Sequence[_Row], by_scene: bool) -> list[_Group]:
    held: dict[tuple[int, str], list[_Row]] = {}
    for row in rows:
        key = (row.scene_rank, row.scene) if by_scene else (0, f"Roll {row.clip.roll}")
        held.setdefault(key, []).append(row)
    order = sorted(held, key=lambda key: key[0])
    return [
        _Group(
            title=key[1],
            rows=tuple(sorted(held[key], key=lambda row: row.take_rank) if by_scene else held[key]),
        )
        for key in order
    ]


def _clip_copies(clip: ClipLine, wanted: int) -> tuple[_Words, ...]:
    if not clip.files:
        return (_Words("file not in the catalog", bad=True),)
    worst = min(file.good for file in clip.files)
    said = [_Words(f"{worst} matched" if worst else "no good copy", bad=worst < wanted)]
    other = [copy for file in clip.files for copy in file.copies if not copy.proven]
    said += [
        _Words(f"{copy.state.value} on {words.shortened(copy.drive, 24)}", bad=True)
        if copy.state.value != "matched"
        else _Words(f"not proven on {words.shortened(copy.drive, 24)}", bad=True)
        for copy in other[:3]
    ]
    if len(other) > 3:
        said.append(_Words(f"and {len(other) - 3} more", bad=True))
    return tuple(said)


def _drive_words(drive: DriveLine) -> list[_Words]:
    said = []
    if drive.proven:
        said.append(
            _Words(f"{drive.proven:,} of {drive.copies:,} read back past the cache, matched")
        )
    if drive.bad:
        said.append(_Words(f"{drive.bad:,} bad or gone", bad=True))
    if drive.waiting:
        said.append(_Words(f"{drive.waiting:,} not yet read back or not trusted yet", bad=True))
    if drive.cached:
        said.append(
            _Words(f"{drive.cached:,} matched, perhaps only in the computer’s memory", bad=True)
        )
    if drive.own_list:
        said.append(_Words(f"{drive.own_list:,} matched a list only", bad=True))
    return said


def _evidence_words(drive: DriveLine) -> list[str]:
    if drive.oldest is None or drive.newest is None:
        return ["none"]
    first, last = words.moment(drive.oldest), words.moment(drive.newest)
    return [first] if first == last else [f"{first} to", last]


def _format_words(clip: ClipLine) -> list[str]:
    said = []
    if clip.codec or clip.container:
        said.append(clip.codec or clip.container or "")
    if clip.width and clip.height:
        said.append(f"{clip.width} × {clip.height}")
    if clip.variable_rate:
        said.append("variable rate")
    elif clip.frame_rate is not None and clip.kind == "picture":
        # 23.976 is 24000/1001 to everyone in the trade; 29.97 as 2997/100 is worth a word.
        known = clip.frame_rate.denominator in (1, 1001)
        exact = "" if known else f" ({clip.frame_rate})"
        said.append(f"{words.rate(clip.frame_rate)} fps{exact}")
    if clip.channels and clip.kind == "sound":
        hertz = f", {words.rate(Fraction(clip.sample_rate, 1000))} kHz" if clip.sample_rate else ""
        said.append(f"{words.counted(clip.channels, 'channel')}{hertz}")
    return said or ["not read"]


def _folded(digest: str) -> str:
    """`kind:digest` with the kind on a line of its own."""
    kind, _, value = digest.partition(":")
    return f"{kind} {value}"


def _copy_words(copy: CopyLine) -> str:
    parts = [copy.state.value]
    if copy.route:
        parts.append("past the cache" if copy.proven else f"route: {copy.route.value}")
    if copy.against:
        parts.append(f"against {copy.against.value}")
    if copy.at:
        parts.append(words.moment(copy.at))
    if copy.why and not copy.proven:
        parts.append(copy.why)
    return ", ".join(parts)


def _left_words(offload: OffloadLine) -> list[str]:
    said = []
    if offload.litter:
        said.append(f"{words.counted(offload.litter, 'file')} of system litter")
    kinds: dict[str, int] = {}
    for kind, _, _ in offload.notes:
        kinds[kind] = kinds.get(kind, 0) + 1
    said += [f"{number:,} {kind}" for kind, number in kinds.items()]
    if not said and offload.left_out:
        said.append(words.counted(offload.left_out, "file"))
    return said or ["nothing"]


def _strip_words(strip: Strip) -> str:
    lanes = "; ".join(
        f"{lane.name}: {words.counted(len(lane.bars), 'clip')}" for lane in strip.lanes
    )
    span = f"{strip.ticks[0].label} to {strip.ticks[-1].label}" if strip.ticks else ""
    return f"Day {strip.day}, timecode {span}. {lanes}. The clip table below holds every figure."


def _told(problem: Problem) -> Markup:
    """One problem: what, what to do, and which; a long list folded up."""
    what = Markup('<p class="what">{}</p>').format(shown(problem.what))
    do = Markup('<p class="do"><b>Do:</b> {}.</p>').format(shown(problem.do).rstrip("."))
    if not problem.items:
        return what + do
    names = [Markup("<bdi>{}</bdi>").format(shown(item)) for item in problem.items]
    if len(names) <= _FEW:
        items = Markup('<p class="items">{}</p>').format(Markup("; ").join(names))
    else:
        listed = Markup("").join(Markup("<li>{}</li>").format(name) for name in names)
        items = Markup('<details><summary>All {}</summary><ul class="names">{}</ul></details>')
        items = items.format(f"{len(names):,}", listed)
    return what + do + items
