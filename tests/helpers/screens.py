"""What was said, as a terminal of some width shows it; and back to the words alone."""

from __future__ import annotations

from ingest.wording import columns, hanging

__all__ = ["as_shown", "too_long", "words_of"]


def as_shown(said: str, width: int) -> str:
    """Lines that went down a pipe, folded as in a terminal of `width` columns."""
    folded = (hanging(line, min(width, 100)) for line in said.splitlines())
    return "".join(f"{one}\n" for lines in folded for one in lines)


def words_of(screen: str) -> str:
    """Every word in order; where lines were folded says nothing any more."""
    return " ".join(screen.split())


def too_long(screen: str, width: int) -> list[str]:
    """Lines that the terminal itself has to break, but for single words: a path to copy."""
    return [line for line in screen.splitlines() if columns(line) > width and " " in line]
