"""Links clips to the log's rows that name them, within the camera, roll and day of the row."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.catalog.records import Clip, SlateRow, Sure
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.names import parse_take
from ingest.slate.naming import ClipNames, Fit, scope_of
from ingest.slate.pool import Pool, said_row, said_take
from ingest.slate.timing import clip_span, overlap, row_span

__all__ = ["link_named_rows"]


def link_named_rows(pool: Pool) -> dict[int, tuple[Clip, SlateRow]]:
    """Links rows that name their clip. Returns, by the row's place, what was linked."""
    names = ClipNames(pool.clips)
    linked: dict[int, tuple[Clip, SlateRow]] = {}
    for place, row in enumerate(pool.rows):
        if not row.clip:
            continue
        fitting = names.fitting(row.clip)
        if fitting is None:
            continue
        fit, candidates = fitting
        inside = [clip for clip in candidates if not scope_of(row, clip).denied]
        if not inside:
            if _came_in(pool, row):
                _say_wrong_roll(pool, row, candidates)
            continue
        if len(inside) > 1:
            inside = _narrowed_by_kind(inside, row)
        if len(inside) > 1:
            inside = _narrowed_by_time(inside, row)
        if len(inside) > 1:
            found = _listed(inside)
            words = (
                f"{said_row(row)} names {shown(row.clip)} for {said_take(row.scene, row.take)}, "
                f"which fits {found}: write the roll into the log"
            )
            pool.conflict("which clip", words, inside, [row])
            continue
        (clip,) = inside
        linked[place] = clip, row
        if clip.id not in pool.hand:
            sure, basis = _named_basis(fit, clip, row)
            pool.claim(clip, row.scene, row.take, sure, basis, row)
    return linked


def _named_basis(fit: Fit, clip: Clip, row: SlateRow) -> tuple[Sure, str]:
    scope = scope_of(row, clip)
    what = {
        Fit.FULL: "roll and clip name",
        Fit.NAME: "clip name",
        Fit.NUMBER: "clip number",
        Fit.END: "the last digits of the clip's number",
    }[fit]
    settled = fit is Fit.FULL or bool(scope.roll) or bool(scope.camera and scope.day)
    sure = Sure.SURE if settled and fit is not Fit.END else Sure.LIKELY
    agreed = f", {scope.agreed} agree" if scope.agreed else ""
    if not agreed and fit is not Fit.FULL:
        agreed = ", the only clip of that name"
    return sure, f"{said_row(row)}: {what}{agreed}"


def _narrowed_by_kind(clips: Sequence[Clip], row: SlateRow) -> list[Clip]:
    """Where both bear the number: a take with picture names a picture, a wild track a sound."""
    kind = ClipKind.PICTURE if parse_take(row.take).has_picture else ClipKind.SOUND
    return [clip for clip in clips if clip.facts.kind is kind] or list(clips)


def _narrowed_by_time(clips: Sequence[Clip], row: SlateRow) -> list[Clip]:
    """Of several clips of one name, the one that ran at the logged time, where one did."""
    timed = [
        clip
        for clip in clips
        if (told := row_span(row, clip)) and (span := clip_span(clip)) and overlap(told, span) > 0
    ]
    return timed if len(timed) == 1 else list(clips)


def _came_in(pool: Pool, row: SlateRow) -> bool:
    """Whether anything of the row's roll, or of its day and camera, has come in at all. A card
    that hasn't come in yet makes no row wrong: it is only open."""
    if row.roll:
        return any(clip.roll.name.casefold() == row.roll.casefold() for clip in pool.clips)
    return any(
        row.day in (None, clip.roll.day)
        and (not row.camera or (clip.roll.camera or "").casefold() == row.camera.casefold())
        for clip in pool.clips
    )


def _say_wrong_roll(pool: Pool, row: SlateRow, clips: Sequence[Clip]) -> None:
    told = " ".join(
        f"{name} {shown(str(value))}"
        for name, value in (("roll", row.roll), ("camera", row.camera), ("day", row.day))
        if value
    )
    words = (
        f"{said_row(row)} names {shown(row.clip or '')} on {told}, where there is none; "
        f"that name is borne by {_listed(clips)}"
    )
    pool.conflict("wrong roll", words, clips[:5], [row])


def _listed(clips: Sequence[Clip]) -> str:
    names = [shown(clip.full_name) for clip in clips[:4]]
    if len(clips) > 4:
        return ", ".join(names) + f" and {len(clips) - 4:,} more"
    return ", ".join(names[:-1]) + " and " + names[-1] if len(names) > 1 else names[0]
