"""What to type to check a proof and a drive, with only what each system brings along. Pure.

Linux: GNU coreutils (`md5sum --check` and its sisters; coreutils manual). macOS: `shasum` (Perl's,
which Apple ships) and `md5 -q`. Windows: `Get-FileHash` of PowerShell 4 and later, and `certutil
-hashfile`. `ssh-keygen -Y verify` is in OpenSSH 8.1 and later, which all three bring along. What of
this is run by the tests, and what only read, stands at the top of `test_proof_typed`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from ingest.names import shown
from ingest.report.proof.facts import CHECKABLE, ProofFacts
from ingest.report.proof.lists import footage_name
from ingest.report.proof.signature import NAMESPACE
from ingest.wording import counted, listed

__all__ = [
    "ALLOWED",
    "DIGESTS",
    "IDENTITY",
    "SIGNATURE",
    "Step",
    "System",
    "best_kinds",
    "odd_names",
    "places",
    "systems",
]

DIGESTS = "proof.sha256"
"""The list of the folder's own checksums."""

SIGNATURE = f"{DIGESTS}.sig"
ALLOWED = "signer.txt"
"""The public key, in the form of OpenSSH's ALLOWED SIGNERS (ssh-keygen(1))."""

IDENTITY = "proof"

_SHASUM = {"sha1": "1", "sha256": "256", "sha512": "512"}
_NAMES = {"md5": "MD5", "sha1": "SHA1", "sha256": "SHA256", "sha512": "SHA512"}


@dataclass(frozen=True, slots=True)
class Step:
    title: str
    says: str
    commands: tuple[str, ...]
    """To be typed (or pasted), line by line."""


@dataclass(frozen=True, slots=True)
class System:
    name: str
    open: str
    """Where the commands are typed."""
    steps: tuple[Step, ...]


def best_kinds(facts: ProofFacts, number: int) -> tuple[str, ...]:
    """The fewest kinds that check as many files of a layout as a plain system can, best first."""
    by_name = {file.name: file for file in facts.files}
    left = set(facts.layouts[number].paths)
    chosen: list[str] = []
    while left:
        reach = {kind: {one for one in left if kind in by_name[one].digests} for kind in CHECKABLE}
        best = max(CHECKABLE, key=lambda kind: (len(reach[kind]), -CHECKABLE.index(kind)))
        if not reach[best]:
            break
        chosen.append(best)
        left -= reach[best]
    return tuple(chosen)


def places(facts: ProofFacts, number: int) -> str:
    """Which drives a layout is of, for people."""
    return listed(facts.layouts[number].drives, 6)


def systems(facts: ProofFacts) -> tuple[System, ...]:
    return (
        System(
            "macOS",
            "Open Terminal (in Applications, Utilities). Type a line, then Enter; instead of "
            "typing a folder's name, drag the folder into the window.",
            tuple(_unix(facts, mac=True)),
        ),
        System(
            "Windows",
            "Open PowerShell (Start, type: powershell). A folder's name stands in the address bar "
            "of its window.",
            tuple(_windows(facts)),
        ),
        System(
            "Linux",
            "Open a terminal. Only GNU coreutils is needed, which every distribution has.",
            tuple(_unix(facts, mac=False)),
        ),
    )


_WHOLE, _NOT = "ALL EQUAL", "NOT ALL EQUAL: see above"
_ASK = f"It ends with {_WHOLE}, or names what is not."


def _unix(facts: ProofFacts, *, mac: bool) -> Iterator[Step]:
    yield Step(
        "Say where things are",
        "Put in the folder that this file lies in, and the drive (or the folder on it that the "
        "footage was copied to).",
        ("proof='/the/folder/of/this/file'", "drive='/the/drive'"),
    )
    yield Step(
        "Check this folder",
        f"Are the lists as they were made? {_ASK}",
        (_folder_check(mac=mac),),
    )
    if facts.signer:
        yield Step(
            "Check who made it",
            f"It must name the key {facts.signer}. Compare that with what the sender told you by "
            "another way than this folder: a forger would put their own key here.",
            (
                (
                    f'ssh-keygen -Y verify -f "$proof/{ALLOWED}" -I {IDENTITY} -n {NAMESPACE} '
                    f'-s "$proof/{SIGNATURE}" < "$proof/{DIGESTS}"'
                ),
            ),
        )
    for number in range(len(facts.layouts)):
        for kind in best_kinds(facts, number):
            file = footage_name(number, kind)
            many = _many(facts, number, kind)
            command = _mac(kind, file, many) if mac else _linux(kind, file)
            yield Step(_what(facts, number), _covers(facts, number, kind), (command,))


def _what(facts: ProofFacts, number: int) -> str:
    if len(facts.layouts) == 1:
        return "Check the drive"
    return f"Check the drive (laid out like {places(facts, number)})"


def _covers(facts: ProofFacts, number: int, kind: str) -> str:
    files = counted(_many(facts, number, kind), "file")
    return (
        f"Reads {files} and compares each with its {_NAMES[kind]}; it takes as long as the drive "
        f"takes to be read. {_ASK}"
    )


_TOLD = f"&& echo '{_WHOLE}' || echo '{_NOT}'"


def _many(facts: ProofFacts, number: int, kind: str) -> int:
    by_name = {file.name: file for file in facts.files}
    return sum(kind in by_name[name].digests for name in facts.layouts[number].paths)


def _folder_check(*, mac: bool) -> str:
    check = "shasum -a 256 -c" if mac else "sha256sum --check --quiet"
    return f'cd "$proof" && {check} {DIGESTS} {_TOLD}'


def _linux(kind: str, file: str) -> str:
    return f'cd "$drive" && {kind}sum --check --quiet "$proof/{file}" {_TOLD}'


def _mac(kind: str, file: str, files: int) -> str:
    if kind in _SHASUM:
        return f'cd "$drive" && shasum -a {_SHASUM[kind]} -c "$proof/{file}" {_TOLD}'
    # Older systems have md5 without a way to check a list; what is equal is counted.
    return (
        'n=0; cd "$drive" && while IFS= read -r line; do '
        '[ "$(md5 -q "./${line#*  }")" = "${line%%  *}" ] && n=$((n+1)) '
        '|| echo "NOT EQUAL: ${line#*  }"; '
        f'done < "$proof/{file}"; [ "$n" = {files} ] {_TOLD}'
    )


def _windows(facts: ProofFacts) -> Iterator[Step]:
    yield Step(
        "Say where things are",
        "Put in the folder that this file lies in, and the drive (or the folder on it that the "
        "footage was copied to).",
        (r"$proof = 'D:\the folder of this file'", r"$drive = 'E:\'"),
    )
    yield Step(
        "Check this folder",
        f"Are the lists as they were made? {_ASK}",
        (_powershell("$proof", DIGESTS, "SHA256", None),),
    )
    if facts.signer:
        yield Step(
            "Check who made it",
            f"It must name the key {facts.signer}. Compare that with what the sender told you by "
            "another way than this folder: a forger would put their own key here.",
            (
                (
                    f'cd -LiteralPath $proof; cmd /c "ssh-keygen -Y verify -f {ALLOWED} '
                    f'-I {IDENTITY} -n {NAMESPACE} -s {SIGNATURE} < {DIGESTS}"'
                ),
            ),
        )
    for number in range(len(facts.layouts)):
        for kind in best_kinds(facts, number):
            file = footage_name(number, kind)
            yield Step(
                _what(facts, number),
                _covers(facts, number, kind)
                + f" A single file: certutil -hashfile NAME {_NAMES[kind]}",
                (_powershell("$drive", file, _NAMES[kind], _many(facts, number, kind)),),
            )


def _powershell(place: str, file: str, algorithm: str, files: int | None) -> str:
    """`files`: how many there are, so that a list cut short shows; None: it is counted nowhere."""
    good = f"$n -eq {files}" if files is not None else "$n -gt 0 -and !$bad"
    return (
        f"$n = 0; $bad = 0; cd -LiteralPath {place}; "
        f'Get-Content -Encoding UTF8 -LiteralPath "$proof\\{file}" | ForEach-Object {{ '
        '$sum, $name = $_ -split "  ", 2; '
        f"if ((Get-FileHash -LiteralPath $name -Algorithm {algorithm}).Hash -eq $sum) "
        '{ $n++ } else { $bad++; "NOT EQUAL: $name" } }; '
        f"if ({good}) {{ '{_WHOLE}' }} else {{ '{_NOT}' }}"
    )


def odd_names(facts: ProofFacts) -> tuple[str, ...]:
    """Names that a loop over lines can't read: those the lists write with escapes."""
    return tuple(
        shown(path)
        for layout in facts.layouts
        for path in layout.paths.values()
        if any(one in path for one in "\\\n\r")
    )
