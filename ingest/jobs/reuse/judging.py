"""May this card be used again? Gathers what the verdict needs: the card as it is now, what was
copied, the evidence, and every copy looked at once more. It never wipes, and never writes to
the card or to a drive.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from ingest.assurance.reuse import CardFound, DriveNow, Looked, Policy, Verdict, judge_card
from ingest.card.inventory import OTHER_VOLUME, card_inventory
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Copy, Observer
from ingest.drives import card_at, look_at, recognise
from ingest.errors import BadCard
from ingest.jobs.known import drives_here
from ingest.jobs.reuse.copied import Copied, drive_now
from ingest.jobs.reuse.looking import Looker, Progress, read_card
from ingest.jobs.reuse.policy import production_date
from ingest.names import shown
from ingest.settings import Settings

__all__ = ["CardJudged", "Progress", "judge_reuse"]


@dataclass(frozen=True, slots=True)
class CardJudged:
    label: str
    root: str
    """What was judged: the whole volume, whatever folder of it was named."""
    verdict: Verdict
    files: int
    bytes: int
    litter: int
    not_followed: tuple[tuple[str, str], ...]
    """Links and the like, by path and kind: they hold no footage, and are named."""


def judge_reuse(
    catalog: Catalog,
    observer: Observer,
    card: str,
    policy: Policy,
    *,
    run: str,
    now: Callable[[], datetime],
    tell: Callable[[Progress], None],
    settings: Settings | None = None,
    reread: bool = False,
) -> CardJudged:
    """Judge the card at `card` by the evidence, with everything looked at now.

    What is found bad on a drive is recorded as evidence (`run` ties it together). `reread`: every
    byte of the card is read past the cache and compared, not only samples, and what it gave is
    recorded too. `settings`: where drives live, and the production's time zone. Raises BadCard.
    """
    settings = settings or Settings()
    card_inventory(card)  # says best what is wrong with the folder that was named
    volume = look_at(card)
    root = volume.root if volume.system else volume.mount_point
    seen = recognise(root)
    if seen is not None:
        raise BadCard(
            f"{shown(card)} is on the drive {shown(seen.name)}, which is no card.",
            do="name the card itself",
            dont="format the drive",
        )
    if root != volume.root:
        volume = look_at(root)
    found = card_inventory(root)
    copied = Copied(catalog, ((file.path, file.size) for file in found.files))
    files = list(
        read_card(
            found,
            volume,
            lambda file: copied.kinds(file.path, file.size) if reread else (),
            tell,
        )
    )
    copied.gather(files)
    time = now()
    read_again = copied.read_again(files, card_at(root, copied.label), time)
    catalog.record_card_looks(run, observer, list(read_again))
    looker = Looker(catalog, observer, run, now)
    by_drive: dict[int, list[Copy]] = defaultdict(list)
    for copy in copied.copies:
        by_drive[copy.drive_id].append(copy)
    heres = {here.drive.id: here for here in drives_here(catalog)}
    looked: dict[int, Looked] = {}
    drives: dict[int, DriveNow] = {}
    places = catalog.drive_places()
    for drive_id, copies in by_drive.items():
        results = looker.look(heres[drive_id], copies, copied.records, tell)
        drives[drive_id] = drive_now(heres[drive_id], places[drive_id], settings)
        if results is None:
            drives[drive_id] = replace(drives[drive_id], volume=None)
        else:
            looked |= results
    looks = copied.looks()
    card_found = CardFound(
        label=copied.label or os.path.basename(root.rstrip("/")) or root,
        now=time,
        files=copied.with_candidates(files, drives, looks, looked),
        unreadable=tuple((one.path, one.detail) for one in found.unreadable),
        covered=tuple(one.path for one in found.not_followed if one.kind == OTHER_VOLUME),
        volume=volume,
        today=production_date(time, settings.time_zone),
        holds=tuple(copied.holds()),
        undecoded=tuple(copied.undecoded(looks)),
        mostly_here=copied.mostly_here(),
    )
    return CardJudged(
        label=card_found.label,
        root=root,
        verdict=judge_card(card_found, policy),
        files=len(found.files),
        bytes=found.bytes,
        litter=len(found.litter),
        not_followed=tuple((one.path, one.kind) for one in found.not_followed),
    )
