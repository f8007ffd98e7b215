"""The proof's folder as bytes by name: every form, and the list of their checksums, signed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace

from ingest.report.proof.document import to_json
from ingest.report.proof.facts import ProofFacts
from ingest.report.proof.lists import collect
from ingest.report.proof.page import verify_page
from ingest.report.proof.pdf import proof_pdf
from ingest.report.proof.signature import NAMESPACE, Key, public
from ingest.report.proof.text import verify_text
from ingest.report.proof.verify import ALLOWED, DIGESTS, IDENTITY, SIGNATURE
from ingest.report.typesetting import Paper

__all__ = ["DOCUMENT", "PDF", "ProofFolder", "build", "digest_list"]

DOCUMENT = "proof.json"
PDF = "proof.pdf"


@dataclass(frozen=True, slots=True)
class ProofFolder:
    facts: ProofFacts
    files: Mapping[str, bytes]
    """By name relative to the folder, `/` between parts."""
    not_listed: tuple[str, ...]
    """ROLL/PATH of what the ASC MHL lists can't hold; the plain lists have it."""


def build(
    facts: ProofFacts, *, key: Key | None = None, pdf: bool = True, paper: Paper = Paper.A4
) -> ProofFolder:
    """Every file of the proof. `key` signs it. Raises CannotTypeset where `pdf` can't be set."""
    if key is not None:
        facts = replace(facts, signer=key.fingerprint)
    lists = collect(facts)
    facts = replace(
        facts,
        pdf=pdf,
        rolls=tuple(
            replace(roll, manifest=lists.manifests.get(roll.name, "")) for roll in facts.rolls
        ),
    )
    files = dict(lists.files)
    files[DOCUMENT] = to_json(facts)
    files["VERIFY.txt"] = verify_text(facts).encode()
    files["VERIFY.html"] = verify_page(facts).encode()
    if pdf:
        files[PDF] = proof_pdf(facts, paper)
    if key is not None:
        files[ALLOWED] = f'{IDENTITY} namespaces="{NAMESPACE}" {public(key.blob)}\n'.encode()
    files[DIGESTS] = digest_list(files)
    if key is not None:
        files[SIGNATURE] = key.sign(files[DIGESTS])
    return ProofFolder(facts, files, tuple(lists.not_listed))


def digest_list(files: Mapping[str, bytes]) -> bytes:
    """SHA-256 of each file but the list itself and its signature, in the order of names; the one
    form there is, so that any other byte in it shows."""
    return b"".join(
        f"{hashlib.sha256(data).hexdigest()}  {name}\n".encode()
        for name, data in sorted(files.items())
        if name not in (DIGESTS, SIGNATURE)
    )
