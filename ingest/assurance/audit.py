"""What one read of a copy says, compared with what the catalog or a hash list has. Pure.

A copy whose content is another tells a little of how that came about: *saved over* (its date is
another too: a person or a program wrote it) or *changed in place* (same date and length: the
drive, or what lies between). That is a hint for people and never decides anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from ingest.assurance.times import found_time, same_time
from ingest.catalog.records import Copy, NewLook
from ingest.evidence import Act, Against, Route, State

__all__ = ["KIND_ORDER", "Expected", "Found", "Judged", "judge", "kind_to_compare", "look_of"]

KIND_ORDER = ("xxh128", "xxh3", "xxh64", "md5", "sha1", "sha256", "c4")
"""Which kind an audit computes when several are recorded: the quick ones first. Any of them
sees damage; none of the quick ones (nor md5, sha1) stops somebody who forges on purpose."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What a copy should be, and who says so."""

    size: int | None
    """Bytes; None where a list doesn't say."""
    mtime_ns: int | None
    digests: Mapping[str, str]
    against: Against
    """CATALOG, OWN_LIST or OTHER_LIST."""


@dataclass(frozen=True, slots=True)
class Found:
    """What was met on the drive."""

    size: int | None = None
    """Bytes; None when there is no file, or it could not be asked."""
    mtime_ns: int | None = None
    digests: Mapping[str, str] | None = None
    """Of a full read; None when nothing was read."""
    route: Route | None = None
    missing: bool = False
    detail: str = ""
    """Why it is missing or could not be read."""


@dataclass(frozen=True, slots=True)
class Judged:
    """The finding, in the words that evidence is written in."""

    act: Act
    state: State
    route: Route | None
    against: Against
    size: int | None
    kind: str | None
    digest: str | None
    detail: str


def look_of(judged: Judged, copy: Copy, mount: str, at: datetime) -> NewLook:
    """The finding as evidence of a copy, which stood on this mount."""
    return NewLook(
        file_id=copy.file_id,
        drive_id=copy.drive_id,
        path=copy.path,
        act=judged.act,
        state=judged.state,
        route=judged.route,
        against=judged.against,
        size=judged.size,
        kind=judged.kind,
        digest=judged.digest,
        mount=mount,
        at=at,
        detail=judged.detail,
    )


def kind_to_compare(digests: Mapping[str, str]) -> str | None:
    """The recorded kind that an audit computes; None when there is none that we know."""
    return next((kind for kind in KIND_ORDER if digests.get(kind)), None)


def judge(expected: Expected, found: Found) -> Judged:
    """Compare. `matched` only when every byte was read and length and digest are equal."""
    if found.missing:
        return _looked(expected, found, State.MISSING, found.detail)
    if found.size is None:
        return _looked(expected, found, State.UNREADABLE, found.detail)
    dated = _dated(expected, found)
    if expected.size is not None and found.size != expected.size:
        state = State.SHORT if found.size < expected.size else State.LONG
        detail = f"{found.size} bytes instead of {expected.size}"
        if dated:
            detail += f"; saved over: {dated}"
        return _looked(expected, found, state, detail)
    if found.digests is None:
        if found.detail:
            return _looked(expected, found, State.UNREADABLE, found.detail)
        detail = f"{dated}, so it may have been changed: only a full audit can say" if dated else ""
        return _looked(expected, found, State.UNVERIFIED, detail)
    kind = kind_to_compare(expected.digests)
    digest = found.digests.get(kind) if kind is not None else None
    if kind is None or digest is None:
        return _looked(expected, found, State.UNVERIFIED, "no digest to compare with")
    other = next((one for one in found.digests if not _equal(expected, found, one)), None)
    if other is None:
        return _read(expected, found, State.MATCHED, kind, digest, dated)
    if _equal(expected, found, kind):
        detail = f"its {kind} is equal and its {other} is not: changed on purpose, or a bad record"
        return _read(expected, found, State.MISMATCH, other, found.digests[other], detail)
    if dated:
        detail = f"saved over: {dated}; a person or a program wrote it"
    elif expected.mtime_ns is None:
        detail = "its content is another; no date to compare with"
    else:
        detail = "changed in place: same date and length; suspect the drive or its connection"
    return _read(expected, found, State.MISMATCH, kind, digest, detail)


def _equal(expected: Expected, found: Found, kind: str) -> bool:
    """Equal in this kind, or nothing is recorded to compare it with."""
    wanted = expected.digests.get(kind)
    if not wanted:
        return True
    assert found.digests is not None
    return found.digests[kind] == (wanted if kind == "c4" else wanted.lower())


def _dated(expected: Expected, found: Found) -> str:
    """The remark about its date, or empty when it is as copied (or nothing is known of it)."""
    if expected.mtime_ns is None or found.mtime_ns is None:
        return ""
    if same_time(found.mtime_ns, expected.mtime_ns):
        return ""
    order = "later" if found.mtime_ns > expected.mtime_ns else "earlier"
    return f"{found_time(found.mtime_ns)}, {order} than the footage's"


def _looked(expected: Expected, found: Found, state: State, detail: str) -> Judged:
    against = Against.NOTHING if state is State.UNVERIFIED else expected.against
    return Judged(Act.LOOKED, state, None, against, found.size, None, None, detail)


def _read(
    expected: Expected, found: Found, state: State, kind: str, digest: str, detail: str
) -> Judged:
    return Judged(
        Act.AUDITED, state, found.route, expected.against, found.size, kind, digest, detail
    )
