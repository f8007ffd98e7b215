"""A card's files as clips: what one press of the record button made, by rule, not by maker.

First only names are looked at (`group`), each rule in a module of its own:

- *Same stem* (`stems`): files of one stem are one clip. Its main file is the moving picture, else
  the still (camera RAW before JPEG), else the sound; everything else is a companion.
- *Stem and suffix* (`companions`): `C0001M01.XML` and `C0001_proxy.mp4` belong to `C0001`, also
  from a sister folder; of several clips of that stem the nearest folder's takes it.
- *DCF* (`dcf`, CIPA DC-009): `DCIM/100ABCDE/ABCD0001.JPG` is a numbered object, never a frame of a
  sequence. Objects of one number whose free characters count 01, 02 ... are parts of one.
- *Spans* (`spans`): numbered parts in a folder `NAME.XYZ` of their own, or after a reel-and-clip
  name (`A002C006_141024_R2EC`, as ASC MHL v1.0 Appendix B writes clips).
- *Image sequences* (`sequences`): three or more pictures of one name that count on, outside DCF.
- *Sound sets* (`sound_sets`): `NAME_Tr1`, `NAME_Tr2`: tracks. A bare `NAME_1` may be a take, and
  isn't joined.

What can't be told from names alone (`CLIP_001`, `CLIP_002`) stays apart: two clips taken for
one would hide a take. Once the files were read, `confirm` splits spans whose timecode doesn't go
on, and joins sound files that say of themselves that they are one family. What belongs to no clip
is loose: kept, and listed.
"""

from __future__ import annotations

from collections.abc import Sequence

from ingest.card.clips.companions import give_companions
from ingest.card.clips.confirming import Confirmed, confirm
from ingest.card.clips.dcf import is_dcf_folder, is_dcf_name
from ingest.card.clips.naming import give_names
from ingest.card.clips.sequences import take_sequences
from ingest.card.clips.sound_sets import take_sound_sets
from ingest.card.clips.spans import join_spans
from ingest.card.clips.stems import take_stems
from ingest.card.clips.values import ClipGroup, Grouping

__all__ = [
    "ClipGroup",
    "Confirmed",
    "Grouping",
    "confirm",
    "group",
    "is_dcf_folder",
    "is_dcf_name",
]


def group(paths: Sequence[str]) -> Grouping:
    """Group a card's files (POSIX paths, relative to the card's root) into clips.

    Every path comes out exactly once, in a clip or loose.
    """
    left = sorted(set(paths))
    drafts, left = take_sequences(left)
    sequences = {(draft.folder, draft.stem.casefold()) for draft in drafts}
    sets, left = take_sound_sets(left)
    drafts += sets
    mains, left = take_stems(left, sequences)
    drafts += join_spans(mains)
    loose = give_companions(drafts, left)
    drafts.sort(key=lambda draft: draft.spans[0])
    give_names(drafts)
    return Grouping(
        clips=tuple(
            ClipGroup(
                name=draft.name,
                kind=draft.kind,
                spans=tuple(draft.spans),
                companions=tuple(sorted(draft.companions)),
                gaps=draft.gaps,
                is_sequence=draft.is_sequence,
            )
            for draft in drafts
        ),
        loose=tuple(loose),
    )
