"""May a card be formatted and shot on again? Pure: everything it needs is handed in.

It holds whenever something is not known. Each reason says what to do next. What is on the card
now is judged, file by file; what has disappeared from it since is no reason by itself, and
neither is system litter, which is not footage. The values are in `reuse_values`, which copies
count in `counting`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from ingest.assurance.counting import enough_copies
from ingest.assurance.devices import separate_devices
from ingest.assurance.disputes import DISPUTED, settle_dispute
from ingest.assurance.reuse_values import (
    CardFound,
    CopyNow,
    CopyVerdict,
    DriveNow,
    FileNow,
    FileVerdict,
    Hold,
    Known,
    Looked,
    Policy,
    Reason,
    Reasons,
    Undecoded,
    Verdict,
)
from ingest.assurance.times import common_shift, same_time
from ingest.catalog.records import FileRecord
from ingest.copying.samples import WHOLE
from ingest.names import path_ends, shown, typed

__all__ = [
    "CardFound",
    "CopyNow",
    "CopyVerdict",
    "DriveNow",
    "FileNow",
    "FileVerdict",
    "Hold",
    "Known",
    "Looked",
    "Policy",
    "Reason",
    "Undecoded",
    "Verdict",
    "agrees",
    "judge_card",
    "separate_devices",
]


def judge_card(found: CardFound, policy: Policy) -> Verdict:
    """The verdict on a card, by the evidence and what was looked at just now; where nothing was
    (`CardFound.as_last_known`), by the evidence alone.

    Rules: common practice (two copies before a card is wiped; nothing published binds anyone),
    and for what makes two devices different, `ingest.drives.same_device`.
    """
    reasons = Reasons()
    for path, detail in found.unreadable:
        reasons.add(
            f"could not be read ({detail})", "try another reader or cable, then ask again", path
        )
    for path in found.covered:
        reasons.add(
            "another volume is mounted on it, and hides what the card holds there",
            "unmount that one, then ask again",
            path,
        )
    if found.volume is not None and found.volume.part and not found.volume.system:
        reasons.add(
            "only a folder of the card is mounted there, and the rest was not looked at",
            "name the place where all of it is mounted",
        )
    shift = _shift(found.files)
    verdicts = []
    rolls: list[dict[int, str]] = []
    used: Counter[str] = Counter()
    for file in found.files:
        same = _known(file, shift, reasons)
        rolls.append({known.record.roll_id: known.roll for known in same})
        for known in same:
            if known.disputed:
                reasons.add(DISPUTED, settle_dispute(known.roll), file.path)
            if known.read_otherwise:
                reasons.add(
                    "gave other content when the card was read once more",
                    "try another reader or cable and read all of it twice (ingest reuse --reread); "
                    "what stays different is offloaded again (ingest offload)",
                    file.path,
                )
        copies = [copy for known in same for copy in known.copies]
        good = bool(same)
        if good:
            good = enough_copies(file, same, copies, found, policy, reasons)
            used.update({copy.drive.name for copy in copies})
        verdicts.append(FileVerdict(file.path, tuple(map(_copy_verdict, copies)), good))
    if not found.files and not found.unreadable:
        reasons.add("no file was found on it", "check that it is the right card, and mounted")
    chosen = _rolls(rolls)
    on_it = {roll_id: name for of_file in rolls for roll_id, name in of_file.items()}
    binding = {one: on_it[one] for one in chosen | found.mostly_here if one in on_it}
    _decided(found, policy, binding, reasons)
    names = tuple(sorted({on_it[roll_id] for roll_id in chosen}))
    told = reasons.told()
    if told or not all(verdict.good for verdict in verdicts):
        return Verdict("hold", told, tuple(verdicts), names)
    return Verdict(
        "reuse", (_positive(len(verdicts), used, found, policy),), tuple(verdicts), names
    )


def _rolls(of_files: Sequence[Mapping[int, str]]) -> frozenset[int]:
    """The rolls that the card's files came in with, by id, of id and name for each file. A file
    that several rolls hold (small companions often are the same everywhere) counts for the one
    with most of the others."""
    counts = Counter(roll_id for rolls in of_files for roll_id in rolls)
    return frozenset(
        max(rolls, key=lambda roll_id: (counts[roll_id], rolls[roll_id], roll_id))
        for rolls in of_files
        if rolls
    )


def _decided(
    found: CardFound,
    policy: Policy,
    binding: Mapping[int, str],
    reasons: Reasons,
) -> None:
    """What people and the policy decided, whatever the copies are. `binding`: id and name of the
    rolls on the card whose decisions bind it."""
    today = found.today or found.now.date()
    for hold in found.holds:
        if hold.roll_id not in binding:
            continue
        roll, setting = shown(hold.roll), f"ingest rolls set {typed(hold.roll)}"
        if hold.because is not None:
            reasons.add(
                f"{roll} is held by {shown(hold.by)}: {shown(hold.because)}",
                f"ask {shown(hold.by)}; {setting} --no-hold takes the hold off",
            )
        if hold.until is not None and today < hold.until:
            reasons.add(
                f"the card of {roll} is kept until {hold.until}",
                f"keep it until then ({setting} --until changes the date)",
            )
    if policy.hold_until is not None and today < policy.hold_until:
        reasons.add(f"the policy keeps every card until {policy.hold_until}", "keep it until then")
    here = {path for file in found.files for path in path_ends(file.path)}
    for one in found.undecoded:
        if one.roll_id not in binding or one.path not in here:
            continue
        viewed = f"ingest rolls set {typed(binding[one.roll_id])} --viewed WHO"
        if one.broken:
            # The copies equal the card, and the card's own file is what is broken.
            reasons.add(
                f"is broken, and nobody has viewed it ({one.broken.rstrip('.')})",
                "play it in its camera, which may still mend it on the card; shoot it again while "
                f"the set stands; then: {viewed}",
                one.clip,
            )
        elif policy.viewed:
            reasons.add(
                "can't be decoded here, and nobody has viewed it",
                f"play it in its camera or its maker's player, then: {viewed}",
                one.clip,
            )


def _positive(count: int, drives: Counter[str], found: CardFound, policy: Policy) -> Reason:
    names = ", ".join(shown(name) for name in sorted(drives))
    if found.as_last_known:
        counted = "as last known"
    else:
        counted = "not all of them here" if policy.offline_ok else "looked at just now"
    if policy.offsite:
        counted += f"; {policy.offsite} of them off-site"
    what = "the one file" if count == 1 else f"each of the {count} files"
    return Reason(
        f"{what} on it has {policy.copies} good copies on separate devices ({names}; {counted})",
        "when whoever offloads says so: format it in the camera it goes into",
    )


# The card's files ---------------------------------------------------------------------------------


def _shift(files: Iterable[FileNow]) -> int:
    differences = [
        file.mtime_ns - known.record.mtime_ns
        for file in files
        for known in file.candidates
        if known.record.samples == file.samples
    ]
    return common_shift(differences)


def _known(file: FileNow, shift: int, reasons: Reasons) -> tuple[Known, ...]:
    """What was copied and is this very file; empty, with the reason noted, when that can't be said.

    A name, a size and a time make nothing the same: samples or every byte must agree.
    """
    if file.samples is None:
        reasons.add(
            f"could not be read{f' ({file.detail})' if file.detail else ''}",
            "try another reader or cable, then ask again",
            file.path,
        )
        return ()
    if not file.candidates:
        reasons.add("never copied", "offload this card (ingest offload)", file.path)
        return ()
    same = [
        known
        for known in file.candidates
        if known.record.size == file.size and known.record.samples == file.samples
    ]
    read = dict(file.digests)
    if read:
        same = [known for known in same if agrees(known.record, read) is True]
    if not same:
        listed = {
            shown(known.roll)
            for known in file.candidates
            if not known.record.samples and agrees(known.record, read) is not False
        }
        if listed:
            reasons.add(
                f"has the name and size of a file that is known as {', '.join(sorted(listed))} "
                "from hash lists alone, by no card's read",
                "offload this card again (ingest offload)",
                file.path,
            )
            return ()
        names = ", ".join(sorted({shown(known.roll) for known in file.candidates}))
        reasons.add(
            f"has the name and size of a file copied as {names}, but other content",
            "offload this card as a new roll (ingest offload)",
            file.path,
        )
        return ()
    if read:
        return tuple(same)
    if any(agrees(known.record, dict(same[0].record.digests)) is not True for known in same[1:]):
        reasons.add(
            "several files of this name were copied that can't be told apart by samples",
            "read the whole card: ingest reuse --reread",
            file.path,
        )
        return ()
    whole = file.size <= WHOLE  # its samples are all of it
    if not whole and not any(
        same_time(file.mtime_ns, known.record.mtime_ns, shift) for known in same
    ):
        reasons.add(
            "its time is not the one it was copied with, so it may have been changed",
            "read the whole card: ingest reuse --reread",
            file.path,
        )
        return ()
    return tuple(same)


def agrees(record: FileRecord, digests: Mapping[str, str]) -> bool | None:
    """Whether digests agree with what was copied; None when no kind is shared."""
    shared = [kind for kind in record.digests if kind in digests]
    if not shared:
        return None
    return all(record.digests[kind] == digests[kind] for kind in shared)


def _copy_verdict(copy: CopyNow) -> CopyVerdict:
    state, evidence = copy.state.state, copy.state.why
    if copy.looked is not None and copy.looked.bad is not None:
        state = copy.looked.bad
        evidence = f"looked at just now: {copy.looked.detail or state}; before: {evidence}"
    elif copy.looked is not None:
        evidence += "; there just now, size and samples agree"
    else:
        evidence += "; not here to be looked at"
    return CopyVerdict(copy.drive.name, state, evidence, copy.state.at)
