"""`ingest proof`: what a client needs to see for themselves that the footage is whole."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from ingest.cli.terminal import Pasted, Terminal, job
from ingest.names import shown
from ingest.wording import whole

if TYPE_CHECKING:
    from ingest.jobs.proof import Proof
    from ingest.report.proof.signature import Key

__all__ = ["command"]


@job("proof")
@click.option("--roll", metavar="ROLL", help="This roll only.")
@click.option("--day", metavar="N", type=click.IntRange(min=0), help="This shoot day only.")
@click.option("--production", metavar="NAME", help="Needed when the catalog holds several.")
@click.option("--out", metavar="FOLDER", required=True, help="A new folder to write it to.")
@click.option("--drive", "drives", metavar="DRIVE", multiple=True, help="About this drive only.")
@click.option("--sign", metavar="KEY", help="Sign it with this OpenSSH private key (Ed25519).")
@click.option(
    "--redact",
    is_flag=True,
    help="Leave out scene and take, notes, and names of people and computers.",
)
@click.option("--note", metavar="TEXT", default="", help="A line of your own for the client.")
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"]),
    default="a4",
    show_default=True,
    help="Of the PDF.",
)
def command(
    terminal: Terminal,
    roll: str | None,
    day: int | None,
    production: str | None,
    out: str,
    drives: tuple[str, ...],
    sign: str | None,
    redact: bool,
    note: str,
    paper: str,
) -> int:
    """Write a folder for the client: what was checked, when, and how to check it themselves.

    It holds a PDF, VERIFY.html and VERIFY.txt (what to type on macOS, Windows and Linux, with
    what those bring along), checksum files, each roll's ASC MHL list, and a list of its own
    checksums. Prints two sentences for a mail, then what would make it today's. It reads the
    catalog, not the drives: it says what was seen, and when.

    A signature shows tampering only where every file has c4 or sha256: ingest audit --checksum c4
    adds it. Where footage was recorded (GPS) is never in it. Names of files always are.

    Exit: 0 every copy was equal at the last look; 3 something is not, and is named in it; 4 the
    PDF could not be set, and the rest is there.
    """
    from ingest.drives import find_mounted
    from ingest.jobs.proof import ProofRequest, make_proof
    from ingest.report.typesetting import Paper

    key = _key(terminal, sign) if sign else None
    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog)
        request = ProofRequest(
            out=out,
            production=production or settings.production,
            day=day,
            roll=roll,
            drives=drives,
            client=settings.client or "",
            note=note,
            redact=redact,
            paper=Paper.LETTER if paper == "letter" else Paper.A4,
        )
        proof = make_proof(
            request,
            catalog,
            now=datetime.now(UTC),
            mounted=find_mounted([drive.root for drive in catalog.drives()]),
            observer=terminal.observer(),
            key=key,
        )
    terminal.answer(_document(proof), _lines(proof))
    return proof.exit_code


def _key(terminal: Terminal, path: str) -> Key:
    from ingest.jobs.proof import read_key
    from ingest.report.proof.signature import NeedsPassphrase

    try:
        return read_key(path)
    except NeedsPassphrase:
        if not terminal.interactive:
            raise
        asked = click.prompt(f"Passphrase of {shown(path)}", hide_input=True, err=True)
        return read_key(path, asked.encode())


def _document(proof: Proof) -> dict[str, object]:
    from ingest.jobs.handed_out import outdated_document
    from ingest.report.proof.document import facts_to_document
    from ingest.report.proof.words import mail, missing_kinds, todays

    return {
        **facts_to_document(proof.facts),
        "mail": list(mail(proof.facts, proof.out)),
        "todays": list(todays(proof.facts)),
        "missing_kinds": list(missing_kinds(proof.facts)),
        "not_in_hash_lists": [shown(name) for name in proof.not_listed],
        "replaces": outdated_document(proof.replaces),
        "written": [f"{shown(proof.out)}/{name}" for name in proof.written],
    }


def _lines(proof: Proof) -> list[str]:
    from ingest.jobs.handed_out import outdated_lines
    from ingest.report.proof.text import finding_line
    from ingest.report.proof.words import mail, missing_kinds, todays

    facts = proof.facts
    lines = [*map(Pasted, mail(facts, proof.out)), ""]
    lines += [f"! {finding_line(one)}" for one in facts.findings[:_MOST]]
    if len(facts.findings) > _MOST:
        lines.append(f"  ... and {len(facts.findings) - _MOST:,} more, in VERIFY.txt")
    lines += todays(facts)
    lines += missing_kinds(facts)
    if proof.not_listed:
        lines.append(
            f"{len(proof.not_listed):,} names can't be written in an ASC MHL list; the plain "
            "checksum files have them."
        )
    lines.append(f"Written: {whole(proof.out)} ({len(proof.written)} files)")
    lines += outdated_lines(proof.replaces, instead=True)
    if proof.not_set is not None:
        lines += proof.not_set.lines()
    return lines


_MOST = 20
