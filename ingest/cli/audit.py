"""`ingest audit`: read the copies on drives again and compare."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from ingest.cli.audit_screen import Screen
from ingest.cli.audit_words import document, lines
from ingest.cli.settling import settle
from ingest.cli.stories import story_document, story_line
from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode, UsageError
from ingest.names import shown
from ingest.wording import counted

if TYPE_CHECKING:
    from ingest.assurance.story import ShotStory
    from ingest.media.health import Health

__all__ = ["command", "seconds_of"]


@job("audit")
@click.argument("drives", nargs=-1, metavar="[DRIVE]...")
@click.option("--roll", metavar="NAME", help="Only this roll.")
@click.option("--production", metavar="NAME", help="Only this production.")
@click.option(
    "--by",
    type=click.Choice(["both", "catalog", "lists"]),
    default="both",
    show_default=True,
    help="Compare with the catalog, with the hash lists on the drive, or with both.",
)
@click.option(
    "--oldest",
    metavar="TIME",
    help="Read what was not read for longest first, for so long: 2h, 90m, 1h30m.",
)
@click.option(
    "--again", is_flag=True, help="Read all, also what an audit that was cut off had read."
)
@click.option(
    "--quick",
    is_flag=True,
    help="Presence, size and time only. It is no proof: damage inside a file is not seen.",
)
@click.option(
    "--deep",
    is_flag=True,
    help="Then decode every frame of every clip there, each clip once.",
)
@click.option(
    "--no-record",
    is_flag=True,
    help="Leave no evidence in the catalog, and write no hash list.",
)
@click.option(
    "--checksum",
    "also",
    metavar="KIND",
    multiple=True,
    type=click.Choice(["c4", "sha256", "sha1", "md5"]),
    help="Add this kind to files that lack it, in the same read: c4, sha256, sha1, md5.",
)
@click.option("--against", metavar="PROOF", help="Compare with a proof's folder; no catalog.")
@click.option(
    "--signed-by", metavar="KEY", help="With --against: the fingerprint or .pub that signed it."
)
def command(
    terminal: Terminal,
    drives: tuple[str, ...],
    roll: str | None,
    production: str | None,
    by: str,
    oldest: str | None,
    again: bool,
    quick: bool,
    deep: bool,
    no_record: bool,
    also: tuple[str, ...],
    against: str | None,
    signed_by: str | None,
) -> int:
    """Read every known copy on the drives again, past the cache, and compare.

    DRIVE is a known drive's name, or a folder on one; with none, every known drive that is
    mounted. A folder that the catalog doesn't know is compared with its own hash lists. What is
    bad is recorded before it is shown. What was read is added to the hash lists on drives that
    this catalog wrote to; nothing else is written to a drive. An audit that was cut off is gone
    on with.

    With --against, each DRIVE is compared with the folder that ingest proof made, which is refused
    when a byte of it was changed. No catalog is needed; nothing is recorded or written.

    Exit: 0 all matched; 3 something is wrong; 4 a drive left in the middle (run it again).
    """
    import secrets
    import threading
    from datetime import UTC, datetime

    from ingest.cli.stopping import stopping
    from ingest.jobs.audit import audit
    from ingest.jobs.audit_plan import Wish
    from ingest.media.health import HealthState

    if signed_by is not None and against is None:
        raise UsageError("--signed-by says who signed a proof.", do="--against PROOF")
    if against is not None:
        if quick or oldest or production or again or also or by != "both":
            raise UsageError(
                "--against compares every file with the proof, and knows no catalog.",
                do="leave out the other options but --roll and --signed-by",
            )
        from ingest.cli.against import compare

        return compare(terminal, drives, against, roll, signed_by)
    if also and (quick or no_record or by == "lists"):
        raise UsageError(
            "A checksum is added by reading, and kept in the catalog.",
            do="leave out --quick, --no-record and --by lists",
        )
    if quick and oldest:
        raise UsageError(
            "--quick reads nothing, so it needs no time (--oldest).", do="leave one out"
        )
    if by == "lists" and (roll or production or oldest):
        raise UsageError(
            "Hash lists know of no rolls and no dates of evidence.",
            do="name a folder instead, or leave out --by lists",
        )
    budget = seconds_of(oldest) if oldest else None
    wish = Wish(
        with_catalog=by != "lists",
        with_lists=by != "catalog",
        stalest_first=budget is not None,
        again=again,
        quick=quick,
        also=tuple(dict.fromkeys(also)),
    )
    stop = threading.Event()
    run = secrets.token_hex(8)
    stories: tuple[ShotStory, ...] = ()
    looked: tuple[tuple[str, Health], ...] = ()
    with (
        terminal.catalog() as catalog,
        Screen(terminal, "copies" if quick else "B", budget) as screen,
        stopping(stop),
    ):
        if not no_record:
            settle(terminal, catalog, drives)
        result = audit(
            catalog,
            terminal.observer(),
            drives,
            run=run,
            now=lambda: datetime.now(UTC),
            tell=screen.tell,
            stop=stop,
            roll=roll,
            production=production,
            wish=wish,
            record=not no_record,
            budget=budget,
        )
        if result.verdict == "problem":
            from ingest.jobs.story import audit_stories

            stories = audit_stories(catalog, terminal.settings(catalog), result)
        if deep and not stop.is_set():
            from ingest.jobs.health import look_deep

            looked = look_deep(
                catalog,
                terminal.observer(),
                run=run,
                now=lambda: datetime.now(UTC),
                tell=screen.looked,
                stop=stop,
                drives={drive.name for drive in result.drives if not drive.gone},
                production=production,
                roll=roll,
                record=not no_record,
            )
    answer = {**document(result), "stories": list(map(story_document, stories))}
    said = [*lines(result), *map(story_line, stories)]
    if deep:
        from ingest.jobs.health import health_lines
        from ingest.media.health_json import health_to_json

        answer["health"] = [{"clip": clip, **health_to_json(health)} for clip, health in looked]
        said += [_deep_line(looked), *health_lines(looked)]
    terminal.answer(answer, said)
    if any(health.state is HealthState.BROKEN for _, health in looked):
        return ExitCode.FOOTAGE
    if result.verdict == "problem":
        return ExitCode.FOOTAGE
    if result.stopped:
        return ExitCode.STOPPED
    return ExitCode.UNFINISHED if result.unfinished else ExitCode.WELL


def _deep_line(looked: Sequence[tuple[str, Health]]) -> str:
    frames = sum(health.frames or 0 for _, health in looked)
    return f"Decoded whole: {counted(len(looked), 'clip')}, {counted(frames, 'frame')}."


_TIME = re.compile(r"(?:(\d{1,4})h)?(?:(\d{1,5})m)?(?:(\d{1,6})s)?")


def seconds_of(text: str) -> float:
    """The seconds of `2h`, `90m`, `1h30m`, `45s`. Raises UsageError."""
    found = _TIME.fullmatch(text.strip().lower())
    hours, minutes, seconds = (int(part or 0) for part in found.groups()) if found else (0, 0, 0)
    whole = hours * 3600 + minutes * 60 + seconds
    if whole <= 0:
        raise UsageError(f"--oldest takes a time, not {shown(text)}.", do="2h, 90m, or 1h30m")
    return float(whole)
