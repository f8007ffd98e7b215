"""Which copies of one file count, and whether they are enough. Pure.

Rules: common practice (two copies before a card is wiped; nothing published binds anyone), the
policy, and for what makes two devices different, `ingest.drives.same_device`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from ingest.assurance.devices import separate_devices
from ingest.assurance.reuse_values import (
    CardFound,
    CopyNow,
    DriveNow,
    FileNow,
    Known,
    Policy,
    Reason,
    Reasons,
)
from ingest.assurance.times import found_time
from ingest.assurance.worth import Weakness, copy_weakness, is_local
from ingest.catalog.custody_records import Standing
from ingest.evidence import Act
from ingest.names import shown, typed

__all__ = ["enough_copies"]


def enough_copies(
    file: FileNow,
    same: Sequence[Known],
    copies: Sequence[CopyNow],
    found: CardFound,
    policy: Policy,
    reasons: Reasons,
) -> bool:
    """Whether the copies of one file are what the policy asks for; `reasons` learns why not."""
    enough = True
    if policy.read_twice and not file.digests and all(known.card_reads < 2 for known in same):
        reasons.add(
            "the card was read once, and twice is asked for",
            "read it again now: ingest reuse --reread",
            file.path,
        )
        enough = False
    good, wrong = [], []
    off: list[DriveNow] = []
    near: list[Reason] = []
    for copy in copies:
        reason = _not_counted(copy, found, policy)
        if reason is not None:
            wrong.append((copy.drive, reason))
            continue
        good.append(copy.drive)
        if policy.offsite > 0:
            reason = _not_offsite(copy)
            if reason is None:
                off.append(copy.drive)
            else:
                near.append(reason)
    if separate_devices(frozenset(off)) < policy.offsite:
        for reason in near:
            reasons.add(reason.why, reason.do, file.path)
        not_here = [one for drive, one in wrong if one.do == _PLUG_IN and drive.offsite]
        for reason in not_here:
            reasons.add(f"{reason.why}, and it is the off-site one", _THERE, file.path)
        if not near and not not_here:
            reasons.add(
                f"{_counted(separate_devices(frozenset(off)))} in an off-site place, "
                f"{policy.offsite} asked for",
                "take a copy there (ingest copy --to, ingest drives set DRIVE --sent)",
                file.path,
            )
        enough = False
    if separate_devices(frozenset(good)) >= policy.copies:
        return enough
    for _, reason in wrong:
        reasons.add(reason.why, reason.do, file.path)
    curable = {drive for drive, reason in wrong if reason.do in _CURABLE}
    away = {drive for drive in curable if drive.volume is None}
    # Whether a drive that is away is on a device of its own is asked when it is here.
    if separate_devices(frozenset({*good, *curable} - away)) + len(away) < policy.copies:
        names = sorted({drive.name for drive in good})
        where = f" ({', '.join(map(shown, names))})" if names else ""
        count = separate_devices(frozenset(good))
        reasons.add(
            f"{_counted(count)} on a device shown to be separate{where}, {policy.copies} asked for",
            "offload it to one more drive (ingest offload --to): another physical device",
            file.path,
        )
    return False


def _counted(count: int) -> str:
    return {0: "no good copy", 1: "one good copy"}.get(count, f"{count} good copies")


_PLUG_IN = "plug the drive in and ask again"
_AUDIT = "read its copies again: ingest audit"
_REPLUG = "unplug the drive, plug it in again, then: ingest audit"
_CLOCK = "set this machine's clock right, then: ingest audit"
_ANEW = "keep the card, and offload it to another drive (ingest offload --to)"
_THERE = "read it where it is and ask there, or count it as last read: --offline-ok"
_CURABLE = frozenset({_PLUG_IN, _AUDIT, _REPLUG, _CLOCK})
"""What to do that may make the copy count after all."""


def _not_counted(copy: CopyNow, found: CardFound, policy: Policy) -> Reason | None:
    """Why this copy does not count, or None when it does."""
    name = shown(copy.drive.name)
    if copy.drive.doubt:
        return Reason(f"{name}: {copy.drive.doubt}", _ANEW)
    place = copy.drive.place
    if place is not None and place.gone:
        return Reason(f"{name} is {place.standing}", _ANEW)
    if copy.looked is not None and copy.looked.bad is not None:
        detail = f" ({copy.looked.detail})" if copy.looked.detail else ""
        return Reason(
            f"the copy on {name} is {copy.looked.bad}{detail}",
            _mend(copy),
        )
    weak = copy_weakness(
        copy.state, local=is_local(copy.drive.serial, copy.drive.volume), place=place, now=found.now
    )
    if weak is Weakness.BAD:
        return Reason(f"the copy on {name} is {copy.state.state}", _mend(copy))
    if _in_the_card(copy, found):
        return Reason(f"the copy on {name} lies in the folder that is judged as the card", _ANEW)
    if _on_the_card(copy.drive, found):
        return Reason(f"{name} is on the card's own device", _ANEW)
    if not found.as_last_known:
        if copy.drive.volume is None and not policy.offline_ok:
            return Reason(f"{name} is not mounted", _PLUG_IN)
        if copy.drive.volume is not None and copy.looked is None:
            return Reason(f"the copy on {name} was not looked at", _AUDIT)
    return _weak(copy, weak) or _aged(copy, found, policy) or _touched(copy)


def _weak(copy: CopyNow, weak: Weakness | None) -> Reason | None:
    name, state = shown(copy.drive.name), copy.state
    match weak:
        case Weakness.DOUBTFUL:
            return Reason(
                f"the copy on {name} was found bad once and good only once or from lists since",
                _REPLUG,
            )
        case Weakness.UNREAD:
            return Reason(f"the copy on {name} is {state.state}: nobody has read it back", _AUDIT)
        case Weakness.OWN_LIST:
            return Reason(f"the copy on {name} was only compared with {state.against}", _AUDIT)
        case Weakness.CACHED:
            return Reason(
                f"the read-back on {name} may have come from memory, not from the drive", _REPLUG
            )
        case Weakness.GONE:
            return Reason(f"{name} was dead or lost, and its copy was not read since", _AUDIT)
        case Weakness.FUTURE:
            return Reason(
                f"the evidence on {name} is dated in the future, so its age is not known", _CLOCK
            )
        case _:
            return None


def _mend(copy: CopyNow) -> str:
    return f"keep the card; ingest mend {typed(copy.drive.name)} puts it back from a good copy"


def _not_offsite(copy: CopyNow) -> Reason | None:
    """Why a copy that counts is none in an off-site place, or None when it is."""
    drive, place, look = copy.drive, copy.drive.place, copy.state.look
    name, where = shown(drive.name), shown(drive.where or "")
    setting = f"ingest drives set {typed(drive.name)}"
    if place is not None and place.standing is Standing.SENT:
        return Reason(
            f"{name} is in transit to {shown(place.sent_to or '?')}",
            f"when it is there: {setting} --received, then ingest audit it there",
        )
    if drive.where is None:
        return Reason(
            f"where {name} is was never said",
            f"{setting} --where PLACE --offsite",
        )
    if drive.offsite is None:
        return Reason(
            f"nothing says whether {where}, where {name} is, is off-site",
            f"{setting} --where PLACE --offsite, or offsite = true in ingest.toml",
        )
    if not drive.offsite:
        return Reason(
            f"{name} is at {where}, which is not off-site",
            "take a copy to an off-site place (ingest drives set DRIVE --sent)",
        )
    if place is None or place.arrived is None:
        return Reason(
            f"when {name} came to {where} was never written down",
            f"when it is there: {setting} --where PLACE, then ingest audit",
        )
    if not place.seen_there(look.id if look is not None else None):
        return Reason(f"{name} was not read since it came to {where}", _AUDIT)
    return None


def _aged(copy: CopyNow, found: CardFound, policy: Policy) -> Reason | None:
    name, at, days = shown(copy.drive.name), copy.state.at, policy.max_age_days
    if days is not None and at is not None and found.now - at > timedelta(days=days):
        return Reason(f"the copy on {name} was last read more than {days} days ago", _AUDIT)
    return None


def _touched(copy: CopyNow) -> Reason | None:
    """A copy whose time has changed since it was read may have been written to."""
    looked, look = copy.looked, copy.state.look
    if looked is None or not looked.detail:
        return None
    audited = look is not None and look.act is Act.AUDITED and looked.mtime_ns is not None
    if audited and look is not None and found_time(looked.mtime_ns or 0) in look.detail:
        return None
    return Reason(f"the copy on {shown(copy.drive.name)}: {looked.detail}", _AUDIT)


def _in_the_card(copy: CopyNow, found: CardFound) -> bool:
    """Whether a card that is a folder on this computer's own disk is, or holds, the copy."""
    card, volume = found.volume, copy.drive.volume
    if card is None or volume is None:
        return False
    return f"{volume.root}/{copy.path}".startswith(card.root.rstrip("/") + "/")


def _on_the_card(drive: DriveNow, found: CardFound) -> bool:
    card, volume = found.volume, drive.volume
    if card is None or volume is None or card.system:
        return False
    return card.st_dev == volume.st_dev or bool(set(card.disks) & set(volume.disks))
