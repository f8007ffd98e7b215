"""Hand clips over to the editor: found, named and timed, then written as a file or copied."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import ClipRole
from ingest.errors import ExitCode, NotKnown, Unfinished, UsageError
from ingest.handoff.selection import HandedClip, Part, Span, span_of
from ingest.handoff.table import to_csv
from ingest.handoff.timeline import to_otio
from ingest.jobs.find import Found, Wanted, choose_production, find
from ingest.jobs.further.copying_on import CopyPlan, Request, prepare_copy
from ingest.media.facts import ClipFacts
from ingest.media.workers import ProbeItem, probe_many
from ingest.names import shown

__all__ = [
    "Form",
    "HandedOver",
    "form_of",
    "hand_over",
    "plan_copies",
    "read_parts",
    "select",
    "write_form",
]

_LIMIT_S = 120.0
"""Seconds for one file of a long recording to say what it is."""

Probe = Callable[[Sequence[str]], Mapping[str, ClipFacts]]


class Form(StrEnum):
    OTIO = "otio"
    CSV = "csv"
    FILES = "files"


@dataclass(frozen=True, slots=True)
class HandedOver:
    """What was chosen, and what came of it."""

    clips: tuple[HandedClip, ...]
    written: str
    """The file; empty when the files themselves were copied."""
    untimed: tuple[str, ...]
    """Clips that can't lie on a timeline: they have no length (stills, broken files)."""

    @property
    def missing(self) -> tuple[HandedClip, ...]:
        return tuple(clip for clip in self.clips if clip.missing)

    @property
    def exit_code(self) -> ExitCode:
        return ExitCode.FOOTAGE if self.missing else ExitCode.WELL


def form_of(target: str) -> Form:
    """By the target's ending; anything else is a folder."""
    ending = os.path.splitext(target)[1].lower()
    return {".otio": Form.OTIO, ".csv": Form.CSV}.get(ending, Form.FILES)


def select(
    catalog: Catalog,
    wanted: Wanted,
    words: Sequence[str],
    production: str | None,
    *,
    pattern: str | None = None,
) -> tuple[Found, ...]:
    """The clips that fit, named by `pattern`. Raises NotKnown when there is none."""
    found = find(catalog, wanted, words, production, display=pattern)
    if not found:
        raise NotKnown("No clip fits; nothing was written.", do="ingest find shows what there is")
    return found


def hand_over(found: Sequence[Found], target: str, *, name: str, probe: Probe) -> HandedOver:
    """Write a .otio or .csv file of these clips. `probe` says what further files of long
    recordings are. Raises UsageError when the file is there already or can't be written."""
    form = form_of(target)
    clips = _handed(found, probe)
    write_form(target, to_csv(clips) if form is Form.CSV else to_otio(clips, name))
    untimed = tuple(
        clip.clip.full_name
        for clip in clips
        if form is Form.OTIO and any(part.span is None for part in clip.parts)
    )
    return HandedOver(clips, target, untimed)


def read_parts(paths: Sequence[str]) -> Mapping[str, ClipFacts]:
    """What these files are, read in processes of their own, since decoders hang on some."""
    items = [ProbeItem(str(number), path) for number, path in enumerate(paths)]
    return {
        paths[int(result.key)]: result.facts
        for result in probe_many(items, workers=2, timeout_s=_LIMIT_S)
    }


def plan_copies(
    catalog: Catalog,
    found: Sequence[Found],
    target: str,
    production: str | None,
    *,
    same_drive_ok: bool = False,
    system_disk_ok: bool = False,
    take_over: bool = False,
) -> CopyPlan:
    """The files of these clips, companions too, to be copied to a folder and compared as a
    further copy is; what speaks against it is raised as there."""
    only = frozenset((one.clip.roll.id, file.path) for one in found for file in one.clip.files)
    request = Request(
        to=target,
        production=choose_production(catalog, production),
        same_drive_ok=same_drive_ok,
        system_disk_ok=system_disk_ok,
        take_over=take_over,
        only=only,
    )
    return prepare_copy(request, catalog)


def write_form(target: str, data: bytes) -> None:
    """Write the file whole or not at all; one that is there is never replaced: somebody may have
    worked on it."""
    unfinished = f"{target}.{secrets.token_hex(6)}.unfinished"
    try:
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, "it is there already")
        try:
            with open(unfinished, "xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.link(unfinished, target)
        except OSError as error:
            if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK):
                raise
            os.rename(unfinished, target)  # a file system without links: looked at just before
        finally:
            if os.path.lexists(unfinished):
                os.unlink(unfinished)
    except OSError as error:
        what = f"{shown(target)} can't be written: {error.strerror or error}."
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
            raise Unfinished(what, do="make room, and run it again") from error
        raise UsageError(what, do="name another file: --to FILE.otio, FILE.csv") from error


def _handed(found: Sequence[Found], probe: Probe) -> tuple[HandedClip, ...]:
    further = [
        place.path for one in found for place in one.best[1:] if place is not None
    ]  # the catalog knows what a clip's first file is
    facts = probe(further) if further else {}
    return tuple(
        HandedClip(one.display or one.clip.full_name, one.clip, one.takes, _parts(one, facts))
        for one in found
    )


def _parts(one: Found, facts: Mapping[str, ClipFacts]) -> tuple[Part, ...]:
    spans = [file.path for file in one.clip.files if file.role is ClipRole.SPAN]
    parts: list[Part] = []
    before: Span | None = None
    for number, (path, place) in enumerate(zip(spans, one.best, strict=True)):
        known = one.clip.facts if number == 0 else facts.get(place.path) if place else None
        span = span_of(known, before) if known is not None else None
        parts.append(
            Part(
                file=path,
                place=os.path.abspath(place.path) if place else None,
                drive=place.drive if place else "",
                state=str(place.state) if place else "",
                span=span,
            )
        )
        before = span
    return tuple(parts)
