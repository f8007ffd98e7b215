"""Asks a person in a terminal about links that are open, one question a clip."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.names import shown
from ingest.slate.names import split_slate
from ingest.slate.pool import said_take
from ingest.slate.questions import Question
from ingest.wording import length, whole

if TYPE_CHECKING:
    from ingest.cli.terminal import Terminal

__all__ = ["ask", "question_lines", "read_answer"]

_LETTERS = "ab"


def ask(
    terminal: Terminal, question: Question, place: str, posters: Path
) -> tuple[str, str] | None:
    """Scene and take as the person says, or None to leave it open. `place` is `1 of 3`.

    Raises click.Abort when the person stops.
    """
    for line in question_lines(question, place, posters):
        terminal.note(line)
    letters = ", ".join(_LETTERS[: len(question.answers)])
    while True:
        told = str(
            click.prompt(
                f"Which take? ({letters}, or scene and take: 12A 3; Enter leaves it open)",
                default="",
                show_default=False,
                err=True,
            )
        ).strip()
        if not told:
            return None
        answer = read_answer(told, question)
        if answer is not None:
            return answer
        terminal.note(f"{shown(told)} is no answer. Do: type {letters}, or scene and take: 12A 3")


def read_answer(told: str, question: Question) -> tuple[str, str] | None:
    """Scene and take that an answer means: a letter of the list, `12A 3`, `12A-3`; else None."""
    at = _LETTERS.find(told.casefold()) if len(told) == 1 else -1
    if 0 <= at < len(question.answers):
        chosen = question.answers[at]
        return chosen.scene, chosen.take
    scene, take = split_slate(told)
    return (scene, take) if scene and take else None


def question_lines(question: Question, place: str, posters: Path) -> Sequence[str]:
    """The clip, where its picture lies, and the two best answers with what speaks for them."""
    clip, facts = question.clip, question.clip.facts
    parts = [f"day {clip.roll.day}"]
    parts += [f"camera {shown(clip.roll.camera)}"] if clip.roll.camera else [facts.kind.value]
    parts += [facts.start_timecode] if facts.start_timecode else []
    parts += [length(facts.duration_seconds)] if facts.duration_seconds is not None else []
    said = ["", f"{place}: {shown(clip.full_name)} ({', '.join(parts)})"]
    if clip.poster and "/" not in clip.poster:
        said.append(f"   picture: {whole(str(posters / clip.poster))}")
    for letter, answer in zip(_LETTERS, question.answers, strict=False):
        basis = f" ({shown(answer.basis)})" if answer.basis else ""
        said.append(f"   {letter}  {said_take(answer.scene, answer.take)}{basis}")
    return said
