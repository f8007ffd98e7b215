"""The report as one page that stands alone: opened from disk, with no network, scripts on or off.

Every text goes through `names.shown` and HTML escaping; a policy in the page allows only the
style and script that are in it, and pictures that are in it.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping
from fractions import Fraction
from importlib.resources import files as resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from ingest import wording as words
from ingest.names import shown
from ingest.report import phrases, shot
from ingest.report.facts import IntakeFacts, Problem
from ingest.report.groups import group, grouped_by_scene
from ingest.report.posters import Posters, choose, data_uri
from ingest.report.timeline import Strip, draw

__all__ = ["render"]

_FEW = 6
_BETWEEN = re.compile(r">[ ]*\n[ \n]*<")


def render(facts: IntakeFacts, posters: Posters | None = None) -> str:
    """The page. Posters are read from disk when they aren't given."""
    pictures = choose(facts.clips) if posters is None else posters
    style, script = _inline("style.css"), _inline("page.js")
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_hash(style)}'; "
        f"script-src '{_hash(script)}'; base-uri 'none'; form-action 'none'"
    )
    answer, sign, as_of = facts.verdict.rpartition("(as of ")
    by_scene = grouped_by_scene(facts)
    by_roll = {roll.name: [file for file in facts.files if file.roll == roll.name]
               for roll in facts.rolls}  # fmt: skip
    page = (
        _environment()
        .get_template("intake.html.j2")
        .render(
            facts=facts,
            policy=policy,
            answer=answer.rstrip(),
            as_of=sign + as_of,
            posters=pictures,
            serious=[problem for problem in facts.problems if problem.serious],
            lesser=[problem for problem in facts.problems if not problem.serious],
            strips=draw(facts.clips),
            by_scene=by_scene,
            owed=any(scene.owed for scene in facts.scenes),
            groups=group(facts),
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
            phrases=phrases,
            shot=shot,
            poster=_uris(pictures),
            br=Markup("<br>"),
            strip_words=_strip_words,
        )
    )
    # Space between two tags on different lines is the template's own: no name holds a line break.
    page = _BETWEEN.sub("><", page)
    return page.replace("<style></style>", f"<style>{style}</style>", 1).replace(
        "<script></script>", f"<script>{script}</script>", 1
    )


def _uris(posters: Posters) -> Mapping[str, Markup]:
    # Base64 that we made: nothing to escape.
    return {name: Markup(data_uri(data)) for name, data in posters.pictures.items()}


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


def _folded(digest: str) -> str:
    """`kind:digest` with the kind on a line of its own."""
    kind, _, value = digest.partition(":")
    return f"{kind} {value}"


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
