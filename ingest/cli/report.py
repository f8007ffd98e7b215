"""`ingest report`: write the intake report."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from ingest.cli.terminal import Terminal, job
from ingest.names import shown
from ingest.wording import whole

__all__ = ["command"]


@job("report")
@click.option("--roll", metavar="ROLL", help="This roll only.")
@click.option("--day", metavar="N", type=click.IntRange(min=0), help="This shoot day only.")
@click.option("--production", metavar="NAME", help="Needed when the catalog holds several.")
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"], case_sensitive=False),
    default="a4",
    show_default=True,
    help="The PDF's sheet.",
)
@click.option("--out", metavar="FOLDER", required=True, help="Where to write it.")
def command(
    terminal: Terminal,
    roll: str | None,
    day: int | None,
    production: str | None,
    paper: str,
    out: str,
) -> int:
    """Write the intake report: what came in, on which drives, and whether every copy matched.

    Writes intake-report.html (open it in any browser), intake-report.pdf (to print or send),
    intake-report.csv (one row a clip), intake-report-copies.csv (one row a copy of a file) and
    intake-report.json into FOLDER, and replaces an earlier report there. It reads the catalog, not
    the drives: it says what was seen, and when. To look again: ingest audit.

    In the CSV files a field that a spreadsheet would run as a formula begins with an apostrophe.
    """
    from ingest.drives import find_mounted
    from ingest.jobs.report import make_report
    from ingest.report.document import facts_to_document
    from ingest.report.typesetting import Paper

    with terminal.catalog() as catalog:
        report = make_report(
            catalog,
            out,
            now=datetime.now(UTC),
            mounted=find_mounted([drive.root for drive in catalog.drives()]),
            settings=terminal.settings(catalog, production=production),
            paper=Paper[paper.upper()],
            production=production,
            day=day,
            roll=roll,
            observer=terminal.observer(),
        )
    facts = report.facts
    said = [facts.verdict, *facts.remarks]
    for problem in facts.problems:
        said.append(f"{'!' if problem.serious else '-'} {problem.what}")
        said.append(f"  Do: {problem.do}.")
    lines = [*map(shown, said), *(f"Written: {whole(path)}" for path in report.written)]
    if report.not_set is not None:
        lines += map(shown, report.not_set.lines())
    written = [shown(path) for path in report.written]
    terminal.answer({**facts_to_document(facts), "written": written}, lines)
    return report.exit_code
