"""VERIFY.txt: what was checked and how to check it, in plain text of 78 columns at most."""

from __future__ import annotations

from collections.abc import Iterator

from ingest.names import shown
from ingest.report.proof.facts import Finding, ProofFacts
from ingest.report.proof.verify import odd_names, systems
from ingest.report.proof.words import bounds, headline, missing_kinds, title
from ingest.wording import counted, folded, moment, size

__all__ = ["contents", "finding_line", "verify_text"]

_WIDTH = 78


def verify_text(facts: ProofFacts) -> str:
    """Commands stand unbroken, each on a line of its own that begins with four blanks."""
    return "\n".join(_lines(facts)) + "\n"


def finding_line(finding: Finding) -> str:
    """`DRIVE: ROLL/PATH: state (why)`; a ground that names the state stands alone."""
    where = f"{shown(finding.drive)}: " if finding.drive else ""
    said = finding.state
    if finding.detail.startswith(finding.state):
        said = shown(finding.detail)
    elif finding.detail:
        said += f" ({shown(finding.detail)})"
    return f"{where}{shown(finding.what)}: {said}"


def _lines(facts: ProofFacts) -> Iterator[str]:
    heading = title(facts)
    yield from _wrapped(heading.upper() if len(heading) < 60 else heading)
    yield ""
    yield from _wrapped(headline(facts))
    if facts.note:
        yield ""
        yield from _wrapped(f"From the sender: {shown(facts.note)}")
    if facts.findings:
        yield ""
        yield "NOT AS IT SHOULD BE"
        for finding in facts.findings:
            yield from _wrapped(f"- {finding_line(finding)}", "  ")
    yield ""
    yield "ON WHICH DRIVES"
    for drive in facts.drives:
        seen = f"last looked at {moment(drive.oldest)}" if drive.oldest else "never looked at"
        yield from _wrapped(
            f"- {shown(drive.name)}: {drive.matched:,} of {counted(drive.files, 'file')} equal, "
            f"{size(drive.bytes)}, {seen}",
            "  ",
        )
    for system in systems(facts):
        yield ""
        yield f"HOW TO CHECK IT YOURSELF: {system.name.upper()}"
        yield from _wrapped(system.open)
        for number, step in enumerate(system.steps, start=1):
            yield ""
            yield from _wrapped(f"{number}. {step.title}. {step.says}", "   ")
            yield ""
            yield from (f"    {command}" for command in step.commands)
    odd = odd_names(facts)
    if odd:
        yield ""
        yield from _wrapped(
            f"{counted(len(odd), 'name')} with a backslash or a line break: their lines in the "
            "lists begin with a backslash. Linux and shasum read them; check them by hand "
            "elsewhere."
        )
    missing = [line for line in missing_kinds(facts) if not line.startswith("Do:")]
    if missing:
        yield ""
        for line in missing:
            yield from _wrapped(line)
    yield ""
    yield "WHAT THIS SHOWS, AND WHAT IT DOES NOT"
    for line in bounds(facts):
        yield from _wrapped(f"- {line}", "  ")
    yield ""
    yield "WHAT LIES HERE"
    for name, what in contents(facts):
        yield from _wrapped(f"{name:<24}{what}", " " * 24)


def contents(facts: ProofFacts) -> tuple[tuple[str, str], ...]:
    """The folder's files, and what each is, for people."""
    signed = (
        (
            ("signer.txt", "the public key that it is signed with"),
            ("proof.sha256.sig", "the signature over that list (OpenSSH)"),
        )
        if facts.signer
        else ()
    )
    pdf = ("proof.pdf", "the same for reading and printing, with every roll and clip")
    return (
        *((pdf,) if facts.pdf else ()),
        ("VERIFY.html, .txt", "this page"),
        ("footage.*", "a checksum of every file, for the programs that your system has"),
        ("manifests/", "each roll's list in the open form ASC MHL v1.0"),
        ("ascmhl_collection.xml", "the table of those lists"),
        ("proof.json", "the same for programs"),
        ("proof.sha256", "the checksums of this folder's own files"),
        *signed,
    )


def _wrapped(text: str, indent: str = "") -> list[str]:
    return folded(text, _WIDTH, rest=indent)
