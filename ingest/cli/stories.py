"""How the story of a loss is shown: what it means for the shots that were planned."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ingest.assurance.story import ShotStory

__all__ = ["story_document", "story_line"]


def story_document(story: ShotStory) -> dict[str, Any]:
    from ingest.assurance.story import story_words

    return {
        "scene": story.scene,
        "shot": story.shot,
        "again": story.again,
        "last_day": story.last_day,
        "lost": [held.clip for held, _ in story.lost],
        "covers": [cover.held.clip for cover in story.covers],
        "words": story_words(story),
    }


def story_line(story: ShotStory) -> str:
    """One line; what must be shot again is marked."""
    from ingest.assurance.story import story_words

    words = story_words(story)
    return f"{'! ' if story.again else '  '}{words[0].upper()}{words[1:]}."
