"""`ingest audit DRIVE --against PROOF`: what it says, in words and as a document."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from ingest.cli.audit_screen import Screen
from ingest.cli.terminal import Terminal
from ingest.errors import NotKnown, UsageError
from ingest.names import shown
from ingest.wording import counted, moment, whole

if TYPE_CHECKING:
    from ingest.jobs.against import Compared, ComparedDrive

__all__ = ["compare", "document", "lines", "signer_of"]

_COLUMNS = ("matched", "mismatch", "short", "long", "missing", "unreadable")
_FINGERPRINT = re.compile(r"SHA256:[A-Za-z0-9+/]{43}")


def signer_of(text: str) -> str:
    """The fingerprint that `--signed-by` means: itself, or that of a public key file."""
    from ingest.report.proof.signature import fingerprint, read_public

    if _FINGERPRINT.fullmatch(text):
        return text
    try:
        with open(text, "rb") as file:
            blob = read_public(file.read(1 << 16))
    except OSError as error:
        raise UsageError(
            f"--signed-by {shown(text)} is neither a fingerprint nor a file that can be read.",
            do="--signed-by SHA256:..., as the sender told you, or a public key file (.pub)",
        ) from error
    if blob is None:
        raise UsageError(
            f"{shown(text)} is no public key of OpenSSH (Ed25519).", do="name the .pub file"
        )
    return fingerprint(blob)


def compare(
    terminal: Terminal, drives: Sequence[str], proof: str, roll: str | None, signed_by: str | None
) -> int:
    """Compare each drive with the proof and tell; the exit code."""
    import threading

    from ingest.cli.stopping import stopping
    from ingest.jobs.against import compare_with_proof

    places = [one if os.path.isdir(one) else _mounted(terminal, one) for one in drives]
    stop = threading.Event()
    with Screen(terminal, "B", None) as screen, stopping(stop):
        compared = compare_with_proof(
            proof,
            places,
            tell=screen.tell,
            stop=stop,
            roll=roll,
            signer=signer_of(signed_by) if signed_by is not None else "",
        )
    terminal.answer(document(compared), lines(compared))
    return compared.exit_code


def _mounted(terminal: Terminal, name: str) -> str:
    """Where the drive is that the catalog of this computer, if there is one, knows by that name."""
    from ingest.jobs.audit_targets import choose

    catalog = terminal.existing_catalog()
    if catalog is None:
        raise NotKnown(
            f"There is no folder {shown(name)}, and no catalog here that knows a drive of it.",
            do="name the folder at which the drive is mounted",
        )
    try:
        (chosen,) = choose(catalog, [name]).chosen
    finally:
        catalog.close()
    assert chosen.here.volume is not None
    return chosen.here.volume.root


def document(compared: Compared) -> dict[str, Any]:
    proof = compared.proof
    return {
        "proof": {
            "scope": proof.scope,
            "as_of": proof.as_of.isoformat(),
            "files": len(proof.files),
            "signer": proof.signer or None,
            "shows_tampering": proof.shows_tampering,
        },
        "on_other_drives": compared.elsewhere,
        "drives": [
            {
                "name": drive.name,
                "root": drive.root,
                "unfinished": drive.gone or None,
                "cache_possible": drive.cached,
                "compared_with": "proof",
                "rolls": [_roll(drive, roll) for roll in drive.files],
                "unknown_files": list(drive.unknown),
            }
            for drive in compared.drives
        ],
        "problems": [
            {
                "path": problem.path,
                "drive": problem.drive,
                "state": str(problem.state),
                "detail": problem.detail,
            }
            for problem in compared.problems
        ],
        "verdict": compared.verdict,
    }


def _roll(drive: ComparedDrive, roll: str) -> dict[str, Any]:
    states = drive.states.get(roll, {})
    counts = {str(state): count for state, count in states.items()}
    folder = drive.folders[roll]
    unknown = [path for path in drive.unknown if not folder or path.startswith(folder + "/")]
    return {
        "roll": roll,
        "folder": folder,
        "files": drive.files[roll],
        **{column: counts.get(column, 0) for column in _COLUMNS},
        "not_reached": drive.files[roll] - sum(counts.values()),
        "unknown": len(unknown),
        "folder_in_proof": drive.renamed[roll].was if roll in drive.renamed else folder,
    }


def lines(compared: Compared) -> Iterator[str]:
    """The answer first, then drive by drive."""
    proof = compared.proof
    files = sum(sum(drive.files.values()) for drive in compared.drives)
    intact = sum(drive.whole for drive in compared.drives)
    many = f"{intact:,} of {counted(files, 'file')}"
    other = any(drive.renamed for drive in compared.drives)
    named = ", BUT FOR NAMES OF FOLDERS" if other else ""
    yield {
        "matched": f"AUDIT: ALL AS IN THE PROOF{named} ({counted(files, 'file')})",
        "problem": f"AUDIT: NOT ALL AS IN THE PROOF ({many} whole)",
        "unfinished": f"AUDIT: NOT FINISHED ({many} whole)",
    }[compared.verdict]
    yield f"  The proof is of {shown(proof.scope)}, as of {moment(proof.as_of)}, and unchanged."
    if not proof.signer:
        yield "  It is not signed: this shows accidental damage, not tampering."
    else:
        yield f"  It is signed with {proof.signer}."
        yield "  Compare that with what the sender told you by another way."
        if not proof.shows_tampering:
            yield "  Some files have no c4 or sha256: for those it shows accidental damage only."
    if compared.elsewhere:
        yield (
            f"  {counted(compared.elsewhere, 'file')} more of the proof are on other drives, and "
            "were not looked for here."
        )
    for drive in compared.drives:
        yield f"{shown(drive.name)} ({whole(drive.root)})"
        for roll, number in drive.files.items():
            states = drive.states.get(roll, {})
            said = ", ".join(f"{count:,} {state}" for state, count in sorted(states.items()))
            yield f"  {shown(roll)}: {counted(number, 'file')}, {said or 'none reached'}"
        for roll, folder in drive.renamed.items():
            yield (
                f"  ! {shown(roll)} doesn't lie where the proof says, in {whole(folder.was)}. By "
                f"its hash list it is {whole(folder.now) or 'this folder itself'}, renamed since: "
                "its files were compared there."
            )
        if drive.renamed:
            yield (
                "    Do: ask the sender for a proof made after that (ingest proof --out NEW); what "
                "this one's VERIFY page says to type looks in the old place."
            )
        yield from (f"    not in the proof: {whole(path)}" for path in drive.unknown[:_MOST])
        if len(drive.unknown) > _MOST:
            yield f"    and {len(drive.unknown) - _MOST:,} more that are not in the proof"
        if drive.cached:
            yield (
                f"  {drive.cached:,} of these reads may have come from memory, not from the drive. "
                "Do: unplug it, plug it in again, audit once more."
            )
        if drive.gone:
            yield (
                f"  The drive was given up: {shown(drive.gone)}. "
                "Do: check cable and power, then run the same command again."
            )
    for problem in compared.problems:
        detail = f" ({shown(problem.detail)})" if problem.detail else ""
        yield f"! {shown(problem.drive)}: {whole(problem.path)}: {problem.state}{detail}"
    if compared.problems:
        yield "Do: ask the sender for another copy of these files."
        yield "Don't: delete the damaged ones before you have it."


_MOST = 10
