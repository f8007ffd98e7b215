"""Numbered parts of one recording put together, where the name leaves no doubt."""

from __future__ import annotations

import re
from collections import defaultdict

from ingest.card.clips.dcf import dcf_part, is_dcf_folder
from ingest.card.clips.values import Draft, base_of, stem_of
from ingest.media.facts import ClipKind
from ingest.media.kinds import ending

__all__ = ["join_spans"]

# Camera, reel and clip number, then whatever the camera adds (ASC MHL v1.0 Appendix B).
_REEL_AND_CLIP = re.compile(r"[A-Z]\d{3,4}_?C\d{3,4}(_[0-9A-Z]+)*", re.IGNORECASE | re.ASCII)
_PART = re.compile(r"(.*[^\W_])[_-](\d{2,3})", re.ASCII | re.DOTALL)


def join_spans(drafts: list[Draft]) -> list[Draft]:
    """The clips again, those that are parts of one joined in order.

    The numbers must begin at 0 or 1 and have no gap: a part that isn't there is never passed over.
    """
    runs: dict[tuple[str, str, str], list[tuple[int, Draft]]] = defaultdict(list)
    for draft in drafts:
        if part := _part(draft):
            base, number = part
            runs[draft.folder, base, ending(draft.spans[0])].append((number, draft))
    gone: set[int] = set()
    for (_, base, _), parts in runs.items():
        parts.sort(key=lambda each: each[0])
        numbers = [number for number, _ in parts]
        first = numbers[0]
        if len(parts) < 2 or first > 1 or numbers != list(range(first, first + len(parts))):
            continue
        whole = parts[0][1]
        whole.also = base
        for _, each in parts[1:]:
            whole.spans += each.spans
            whole.companions += each.companions
            gone.add(id(each))
    return [draft for draft in drafts if id(draft) not in gone]


def _part(draft: Draft) -> tuple[str, int] | None:
    """The name and number of a part, where the name leaves no doubt that it is one."""
    if draft.kind is not ClipKind.PICTURE or draft.is_sequence:
        return None
    if is_dcf_folder(base_of(draft.folder)):
        return dcf_part(draft.stem)
    match = _PART.fullmatch(draft.stem)
    if match is None:
        return None
    bundle = base_of(draft.folder)
    if (ending(bundle) and match[1] == stem_of(bundle)) or _REEL_AND_CLIP.fullmatch(match[1]):
        return match[1], int(match[2])
    return None
