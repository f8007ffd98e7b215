"""`ingest offload`: a card to its drives."""

from __future__ import annotations

from typing import Any

import click

from ingest.checksums import KINDS
from ingest.cli.terminal import Terminal, job
from ingest.copying.head_start import start_reading

__all__ = ["command"]


@job("offload")
@click.argument("cards", nargs=-1, metavar="[CARD]...")
@click.option("--to", multiple=True, metavar="DRIVE", help="A drive's folder or known name.")
@click.option("--production", metavar="NAME", help="Never guessed from a card.")
@click.option("--day", type=int, metavar="N", help="Shoot day, from 1.")
@click.option("--roll", "rolls", multiple=True, metavar="NAME", help="Once for each CARD.")
@click.option("--camera", "cameras", multiple=True, metavar="LETTER", help="Once for each CARD.")
@click.option("--card", "labels", multiple=True, metavar="LABEL", help="The card's sticker.")
@click.option(
    "--checksum", "checksums", multiple=True, type=click.Choice(KINDS), help="Repeatable."
)
@click.option("--layout", metavar="TEMPLATE", help="Folders on the drive.")
@click.option("--reread", is_flag=True, help="Read the card a second time and compare.")
@click.option("--deep", is_flag=True, help="Decode every frame of every clip.")
@click.option("--since", metavar="DATE", help="Leave older files out; they hold the card.")
@click.option("--dry-run", is_flag=True, help="Show the plan and do nothing.")
@click.option("--same-drive-ok", is_flag=True, help="Two on one device; they count as one copy.")
@click.option("--system-disk-ok", is_flag=True, help="Copy to this computer's own disk.")
@click.option("--take-over", is_flag=True, help="Take a roll over from a run that has ended.")
@click.option(
    "--read-back",
    type=click.Choice(["behind", "after"]),
    help="Right behind the writing, or after the roll; by the device when left out.",
)
@click.option("--yes", is_flag=True, help="Go at once.")
def command(
    terminal: Terminal,
    cards: tuple[str, ...],
    to: tuple[str, ...],
    rolls: tuple[str, ...],
    cameras: tuple[str, ...],
    labels: tuple[str, ...],
    dry_run: bool,
    yes: bool,
    **options: Any,
) -> int:
    """Copy everything on each CARD to each DRIVE, read it back, record it.

    A CARD is a folder or a mounted volume. Nothing is ever written to it. With no CARD: the
    mounted volumes that hold footage and are no drive. With no --to: the production's drives
    that are here. So `ingest offload` and Enter is enough on a shoot day. Run the same command
    again after a stop: it goes on where it was.

    What this proves: each copy, read again past the computer's cache where the drive allows
    that, equals what the card's one read gave. It does not prove that the card held what the
    camera saw, nor that a clip plays.
    """
    # The cards are read while everything else is still being loaded.
    head_starts = [] if dry_run else start_reading(cards)
    from ingest.cli.offload_run import offload

    return offload(terminal, cards, to, rolls, cameras, labels, dry_run, yes, options, head_starts)
