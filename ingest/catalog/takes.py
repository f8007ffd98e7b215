"""Clips, and the links between clips and takes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update

from ingest.catalog.door import Door, chunks
from ingest.catalog.records import (
    Clip,
    ClipFile,
    ClipLook,
    ClipRole,
    NewClip,
    NewClipLook,
    Observer,
    Rating,
    Roll,
    Sure,
    TakeLink,
)
from ingest.catalog.tables import CLIP, CLIP_FILE, CLIP_LOOK, TAKE_LINK
from ingest.media.facts_json import facts_from_json, facts_to_json
from ingest.media.health_json import health_from_json, health_to_json

__all__ = ["Takes"]


class Takes(Door):
    """The part of `Catalog` that knows clips and which takes they hold."""

    def record_clips(self, roll: Roll, clips: Sequence[NewClip]) -> tuple[Clip, ...]:
        """Add or refresh the roll's clips by name, in one transaction; ids stay, links stay.

        Returns these clips, in their order. Raises ValueError when two have one name.
        """
        names = [clip.name for clip in clips]
        if len(set(names)) != len(names):
            raise ValueError("two clips of one name in one roll")
        with self._writing() as connection:
            known = _clip_ids(connection, roll.id)
            for clip in clips:
                values = {
                    "facts": facts_to_json(clip.facts),
                    "poster": clip.poster,
                    "slate_picture": clip.slate_picture,
                }
                if clip.name in known:
                    connection.execute(
                        update(CLIP).where(CLIP.c.id == known[clip.name]).values(values)
                    )
                else:
                    connection.execute(
                        insert(CLIP).values(roll_id=roll.id, name=clip.name, **values)
                    )
            ids = _clip_ids(connection, roll.id)
            for some in chunks(ids[name] for name in names):
                connection.execute(delete(CLIP_FILE).where(CLIP_FILE.c.clip_id.in_(some)))
            rows = [
                {"clip_id": ids[clip.name], "path": file.path, "role": file.role.value}
                for clip in clips
                for file in clip.files
            ]
            if rows:
                connection.execute(insert(CLIP_FILE), rows)
            looks = _looks(connection, list(ids.values()))
        return tuple(
            Clip(
                id=ids[clip.name],
                roll=roll,
                name=clip.name,
                files=clip.files,
                facts=clip.facts,
                poster=clip.poster,
                slate_picture=clip.slate_picture,
                looks=tuple(looks[ids[clip.name]]),
            )
            for clip in clips
        )

    def record_clip_looks(self, run: str, observer: Observer, looks: Sequence[NewClipLook]) -> None:
        """Add what was found on looking at clips, in one transaction. `run` ties it together."""
        rows = [
            {
                "clip_id": look.clip_id,
                "run": run,
                "who": observer.who,
                "machine": observer.machine,
                "boot": observer.boot,
                "at": look.at,
                "drive": look.drive,
                "health": health_to_json(look.health),
            }
            for look in looks
        ]
        if rows:
            with self._writing() as connection:
                connection.execute(insert(CLIP_LOOK), rows)

    def clips(self, rolls: Sequence[Roll]) -> tuple[Clip, ...]:
        """The clips of these rolls: roll after roll as given, by name in each."""
        by_id = {roll.id: roll for roll in rolls}
        place = {roll_id: number for number, roll_id in enumerate(by_id)}
        rows: list[Row[Any]] = []
        files: defaultdict[int, list[ClipFile]] = defaultdict(list)
        with self._reading() as connection:
            for ids in chunks(by_id):
                query = select(CLIP).where(CLIP.c.roll_id.in_(ids))
                rows += connection.execute(query).all()
                of_clips = (
                    select(CLIP_FILE.c.clip_id, CLIP_FILE.c.path, CLIP_FILE.c.role)
                    .join(CLIP, CLIP.c.id == CLIP_FILE.c.clip_id)
                    .where(CLIP.c.roll_id.in_(ids))
                    .order_by(CLIP_FILE.c.id)
                )
                for clip_id, path, role in connection.execute(of_clips):
                    files[clip_id].append(ClipFile(path, ClipRole(role)))
            looks = _looks(connection, [row.id for row in rows])
        rows.sort(key=lambda row: (place[row.roll_id], row.name))
        return tuple(
            Clip(
                id=row.id,
                roll=by_id[row.roll_id],
                name=row.name,
                files=tuple(files[row.id]),
                facts=facts_from_json(row.facts),
                poster=row.poster,
                slate_picture=row.slate_picture,
                looks=tuple(looks[row.id]),
            )
            for row in rows
        )

    def replace_links(self, clip_ids: Sequence[int], links: Sequence[TakeLink]) -> None:
        """Links of these clips become these, in one transaction; links set by hand stay and win.

        A clip with links set by hand keeps those and gets no others. Raises ValueError for a link
        of another clip, and for one `by_hand` that does not stand already: those are set with
        `set_link`, which says who set them.
        """
        if not {link.clip_id for link in links} <= set(clip_ids):
            raise ValueError("a link of a clip that is not among those replaced")
        now = self._clock()
        with self._writing() as connection:
            by_hand: set[TakeLink] = set()
            for ids in chunks(clip_ids):
                by_hand |= {link for link in _standing(connection, ids) if link.by_hand}
                connection.execute(
                    delete(TAKE_LINK).where(
                        TAKE_LINK.c.clip_id.in_(ids), TAKE_LINK.c.by_hand.is_(False)
                    )
                )
            if not {link for link in links if link.by_hand} <= by_hand:
                raise ValueError("a link set by hand comes in through set_link")
            held = {link.clip_id for link in by_hand}
            values = [_link_values(link, now) for link in links if link.clip_id not in held]
            if values:
                connection.execute(insert(TAKE_LINK), values)

    def set_link(self, link: TakeLink, observer: Observer) -> None:
        """A link set by hand: the clip's earlier links of the same scene and take are replaced;
        computed links of that clip are dropped. Links by hand that it replaces are kept as
        history."""
        now = self._clock()
        of_clip = TAKE_LINK.c.clip_id == link.clip_id
        with self._writing() as connection:
            connection.execute(delete(TAKE_LINK).where(of_clip, TAKE_LINK.c.by_hand.is_(False)))
            connection.execute(
                update(TAKE_LINK)
                .where(
                    of_clip,
                    TAKE_LINK.c.scene == link.scene,
                    TAKE_LINK.c.take == link.take,
                    TAKE_LINK.c.ended.is_(None),
                )
                .values(ended=now)
            )
            values = _link_values(link, now) | {
                "by_hand": True,
                "who": observer.who,
                "machine": observer.machine,
                "boot": observer.boot,
            }
            connection.execute(insert(TAKE_LINK).values(values))

    def links(self, clip_ids: Sequence[int]) -> Mapping[int, tuple[TakeLink, ...]]:
        """The links that stand, in the order in which they were made; every id is a key."""
        found: defaultdict[int, list[TakeLink]] = defaultdict(list)
        with self._reading() as connection:
            for ids in chunks(clip_ids):
                for link in _standing(connection, ids):
                    found[link.clip_id].append(link)
        return {each: tuple(found[each]) for each in clip_ids}


def _looks(connection: Connection, clip_ids: Sequence[int]) -> defaultdict[int, list[ClipLook]]:
    """By clip id, in order."""
    found: defaultdict[int, list[ClipLook]] = defaultdict(list)
    for ids in chunks(clip_ids):
        query = select(CLIP_LOOK).where(CLIP_LOOK.c.clip_id.in_(ids))
        for row in connection.execute(query.order_by(CLIP_LOOK.c.id)):
            found[row.clip_id].append(
                ClipLook(
                    id=row.id,
                    clip_id=row.clip_id,
                    health=health_from_json(row.health),
                    drive=row.drive,
                    at=row.at,
                    run=row.run,
                    observer=Observer(row.who, row.machine, row.boot),
                )
            )
    return found


def _clip_ids(connection: Connection, roll_id: int) -> dict[str, int]:
    query = select(CLIP.c.name, CLIP.c.id).where(CLIP.c.roll_id == roll_id)
    return {row.name: row.id for row in connection.execute(query)}


def _standing(connection: Connection, clip_ids: Sequence[int]) -> list[TakeLink]:
    query = select(TAKE_LINK).where(TAKE_LINK.c.clip_id.in_(clip_ids), TAKE_LINK.c.ended.is_(None))
    return [_link_of(row) for row in connection.execute(query.order_by(TAKE_LINK.c.id))]


def _link_of(row: Row[Any]) -> TakeLink:
    return TakeLink(
        clip_id=row.clip_id,
        scene=row.scene,
        take=row.take,
        shot=row.shot,
        rating=None if row.rating is None else Rating(row.rating),
        sure=Sure(row.sure),
        basis=row.basis,
        note=row.note,
        by_hand=row.by_hand,
    )


def _link_values(link: TakeLink, now: object) -> dict[str, object]:
    return {
        "clip_id": link.clip_id,
        "scene": link.scene,
        "take": link.take,
        "shot": link.shot,
        "rating": None if link.rating is None else link.rating.value,
        "sure": link.sure.value,
        "basis": link.basis,
        "note": link.note,
        "by_hand": link.by_hand,
        "set_at": now,
    }
