"""What clips are called: their stem, and what tells them apart where a card has it twice."""

from __future__ import annotations

from collections import defaultdict

from ingest.card.clips.values import Draft

__all__ = ["give_names"]


def give_names(drafts: list[Draft]) -> None:
    """The stem; where two clips share it, as many folders in front as tell them apart."""
    alike: dict[str, list[Draft]] = defaultdict(list)
    for draft in drafts:
        draft.name = draft.stem
        alike[draft.stem.casefold()].append(draft)
    for same in alike.values():
        if len(same) < 2:
            continue
        deepest = max(draft.folder.count("/") + 1 for draft in same)
        for depth in range(1, deepest + 1):
            for draft in same:
                parts = [part for part in draft.folder.split("/") if part][-depth:]
                draft.name = "/".join([*parts, draft.stem])
            if len({draft.name.casefold() for draft in same}) == len(same):
                break
        else:
            for draft in same:  # one folder, one stem, endings or letters in other case
                draft.name = draft.spans[0]
