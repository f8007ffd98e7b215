"""VERIFY.html: one page that opens from disk with no network and no script."""

from __future__ import annotations

import base64
import hashlib
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from ingest.names import shown
from ingest.report.proof.facts import ProofDrive, ProofFacts
from ingest.report.proof.text import contents, finding_line
from ingest.report.proof.verify import odd_names, systems
from ingest.report.proof.words import bounds, headline, missing_kinds, title
from ingest.report.typesetting import template
from ingest.wording import counted, moment, size

__all__ = ["drive_rows", "verify_page"]


def verify_page(facts: ProofFacts) -> str:
    """The page. Every text is shown safely and escaped; its policy allows its own style alone."""
    style = template("verify.css")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    environment = Environment(
        loader=PackageLoader("ingest.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_safe,
    )
    odd = odd_names(facts)
    return environment.get_template("verify.html.j2").render(
        facts=facts,
        policy=f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; "
        "form-action 'none'",
        style=Markup(style),
        title=title(facts),
        headline=headline(facts),
        production=facts.production,
        client=facts.client,
        note=facts.note,
        findings=[finding_line(one) for one in facts.findings],
        drives=drive_rows(facts),
        systems=systems(facts),
        odd=counted(len(odd), "name") if odd else "",
        missing=[line for line in missing_kinds(facts) if not line.startswith("Do:")],
        bounds=bounds(facts),
        contents=contents(facts),
    )


def drive_rows(facts: ProofFacts) -> list[dict[str, str]]:
    """A row a drive, for the page and the PDF alike."""
    return [
        {
            "name": drive.name,
            "matched": f"{drive.matched:,} of {drive.files:,}",
            "size": size(drive.bytes),
            "looked": _looked(drive),
        }
        for drive in facts.drives
    ]


def _looked(drive: ProofDrive) -> str:
    if drive.oldest is None or drive.newest is None:
        return "never"
    said = moment(drive.oldest)
    if moment(drive.newest) != said:
        said += f" to {moment(drive.newest)}"
    if drive.cached:
        said += f"; {counted(drive.cached, 'file')} perhaps from the computer's memory"
    return said


def _safe(value: Any) -> Any:
    return shown(value) if isinstance(value, str) and not isinstance(value, Markup) else value
