"""`ingest reuse`: may this card be formatted and shot on again?"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Self

import click

from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode, UsageError
from ingest.names import shown
from ingest.wording import counted, whole

if TYPE_CHECKING:
    from tqdm import tqdm

    from ingest.catalog.catalog import Catalog
    from ingest.jobs.reuse.judging import CardJudged, Progress

__all__ = ["CAUTIONS", "command"]

CAUTIONS = (
    "Whoever offloads says when a card is formatted; nobody else does.",
    "Not before the copies are in two bags that travel apart.",
    "Format it in the camera it goes into, never in the computer.",
    "If the system offers to repair the card, say no.",
    "Formatted is not erased: what was on it can be read again by whoever has it.",
)
"""Common practice, no single source."""


@job("reuse")
@click.argument("cards", nargs=-1, metavar="[CARD]...")
@click.option(
    "--copies",
    type=click.IntRange(min=1),
    metavar="N",
    help="Good copies asked for, each on a physical device of its own (2).",
)
@click.option(
    "--max-age",
    type=click.IntRange(min=0),
    metavar="DAYS",
    help="Copies must have been read within so many days.",
)
@click.option(
    "--offsite",
    type=click.IntRange(min=0),
    metavar="N",
    help="How many of them must be off-site, and have been read there.",
)
@click.option(
    "--reread", is_flag=True, help="Read every byte of the card again and compare, not samples."
)
@click.option(
    "--read-twice/--read-once",
    default=None,
    help="Hold a card that was read only once in its offload, or don't.",
)
@click.option(
    "--offline-ok",
    is_flag=True,
    help="Count copies on drives that are not here, as they were when last read.",
)
def command(
    terminal: Terminal,
    cards: tuple[str, ...],
    copies: int | None,
    max_age: int | None,
    offsite: int | None,
    reread: bool,
    read_twice: bool | None,
    offline_ok: bool,
) -> int:
    """May this CARD be formatted and shot on again, or go back to the rental house?

    With no CARD: the mounted volumes that hold footage and are no drive.

    The whole volume is looked at again, and each file on it is judged by the evidence of its
    copies, which are looked at too. It holds whenever something is not known, and says why and
    what to do. What [policy] in ingest.toml asks for is asked here; an option beats it. It never
    wipes, and writes nothing to the card or the drives.

    Exit: 0 it may be reused; 3 hold.
    """
    import secrets
    from dataclasses import replace
    from datetime import UTC, datetime

    from ingest.jobs.reuse.judging import judge_reuse
    from ingest.jobs.reuse.policy import policy_of

    run = secrets.token_hex(8)
    judged = []
    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog)
        asked = policy_of(settings)
        policy = replace(
            asked,
            copies=asked.copies if copies is None else copies,
            max_age_days=asked.max_age_days if max_age is None else max_age,
            offsite=asked.offsite if offsite is None else offsite,
            read_twice=asked.read_twice if read_twice is None else read_twice,
            offline_ok=offline_ok,
        )
        for card in cards or _cards_here(catalog):
            with _Screen(terminal) as screen:
                judged.append(
                    judge_reuse(
                        catalog,
                        terminal.observer(),
                        card,
                        policy,
                        run=run,
                        now=lambda: datetime.now(UTC),
                        tell=screen.tell,
                        settings=settings,
                        reread=reread,
                    )
                )
    hold = any(one.verdict.verdict == "hold" for one in judged)
    documents = [_document(one) for one in judged]
    document = documents[0]
    if len(documents) > 1:
        document = {"verdict": "hold" if hold else "reuse", "cards": documents}
    lines = [line for one in judged for line in _lines(one, offline_ok)]
    contract = settings.policy.words
    words = [f"The contract says: {shown(contract)}"] if contract else []
    terminal.answer(document, [*lines, *words, *_cautions(hold)])
    return ExitCode.FOOTAGE if hold else ExitCode.WELL


def _cards_here(catalog: Catalog) -> Sequence[str]:
    from ingest.jobs.around import look_around

    found = [volume.root for volume in look_around(catalog).cards]
    if not found:
        raise UsageError(
            "No card is here.",
            do="ingest reuse CARD, where CARD is the folder at which the card is mounted",
        )
    return found


def _document(judged: CardJudged) -> dict[str, Any]:
    verdict = judged.verdict
    return {
        "card": judged.label,
        "root": judged.root,
        "rolls": list(verdict.rolls),
        "verdict": verdict.verdict,
        "reasons": [{"why": reason.why, "do": reason.do} for reason in verdict.reasons],
        "litter": judged.litter,
        "not_followed": [{"path": path, "kind": kind} for path, kind in judged.not_followed],
        "files": [
            {
                "path": file.path,
                "copies": [
                    {
                        "drive": copy.drive,
                        "state": str(copy.state),
                        "evidence": copy.evidence,
                        "at": copy.at.isoformat() if copy.at is not None else None,
                    }
                    for copy in file.copies
                ],
            }
            for file in verdict.files
        ],
    }


def _lines(judged: CardJudged, offline_ok: bool) -> Iterator[str]:
    verdict = judged.verdict
    files = f"{judged.files} files" if judged.files != 1 else "one file"
    rolls = f", in as {', '.join(map(shown, verdict.rolls))}" if verdict.rolls else ""
    word = "MAY BE REUSED" if verdict.verdict == "reuse" else "HOLD, DO NOT FORMAT"
    yield f"{shown(judged.label)}: {word} ({files}{rolls}; {whole(judged.root)})"
    for reason in verdict.reasons:
        yield f"  - {reason.why}"
        yield f"    Do: {reason.do}"
    if offline_ok:
        yield "  Copies on drives that are not here were counted as they were when last read."
    if judged.litter:
        are = "is not footage and was" if judged.litter == 1 else "are not footage and were"
        yield f"  {counted(judged.litter, 'file')} of system litter on it {are} not judged."
    for path, kind in judged.not_followed[:10]:
        yield f"  not followed: {whole(path)} ({kind})"


def _cautions(hold: bool) -> Iterator[str]:
    yield "Until it is clear that it may be reused:" if hold else "Before it is formatted:"
    for caution in CAUTIONS:
        yield f"  * {caution}"


class _Screen:
    """A bar for the card, then one for each drive, when a terminal is there."""

    def __init__(self, terminal: Terminal) -> None:
        self._terminal = terminal
        self._what = ""
        self._bar: tqdm[Any] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        if self._bar is not None:
            self._bar.close()

    def tell(self, event: Progress) -> None:
        if not self._terminal.bars:
            return
        if self._bar is None or self._what != event.what:
            from tqdm import tqdm

            if self._bar is not None:
                self._bar.close()
            self._what = event.what
            self._bar = tqdm(
                total=event.total, desc=shown(event.what), unit="files", file=sys.stderr
            )
        self._bar.update(event.done - self._bar.n)
