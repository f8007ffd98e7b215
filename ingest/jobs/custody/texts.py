"""Texts that people give, checked; and what was written down, in words. Pure."""

from __future__ import annotations

from datetime import date

from ingest.catalog.custody_records import Change
from ingest.errors import UsageError
from ingest.names import shown

__all__ = ["a_date", "change_words", "one_line"]

_LONGEST = 200


def one_line(text: str, what: str) -> str:
    """The text without blanks around it. Raises UsageError unless it is one printable line."""
    line = text.strip()
    if not line:
        raise UsageError(f"{what} is empty.", do="say what it is")
    if not line.isprintable():
        raise UsageError(f"{what} stands on one line, not {shown(text)}.", do="write it anew")
    if len(line) > _LONGEST:
        raise UsageError(f"{what} is longer than {_LONGEST} characters.", do="shorten it")
    return line


def a_date(text: str, option: str) -> date:
    """Raises UsageError unless it is a date in ISO 8601."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{option} takes a date such as 2026-03-20, not {shown(text)}.") from None


def change_words(change: Change) -> str:
    """One thing that was written down, in one line, for people: when, what, who, where."""
    value = {key: shown(str(told)) for key, told in change.value.items() if told is not None}
    by = f"{shown(change.observer.who)} on {shown(change.observer.machine)}"
    return f"{change.at:%Y-%m-%d %H:%M} UTC  {_what(change, value)} ({by})"


def _what(change: Change, value: dict[str, str]) -> str:
    match change.what:
        case "name":
            return f"named {value['name']}, was {value['was']}"
        case "where":
            site = {True: ", off-site", False: ", not off-site"}
            told = change.value.get("offsite")
            place = value.get("where")
            if not place:
                return "has no place any more"
            return f"at {place}{site.get(told, '') if isinstance(told, bool) else ''}"
        case "sent":
            return f"sent to {value['to']} by {value['by']}"
        case "label":
            return f"labelled {value['label']}"
        case "due":
            return f"due back {value['due']}" if "due" in value else "not due any more"
        case "built in":
            return "built into its device" if change.value.get("built_in") else "not built in"
        case "known":
            return "written down before it came in"
        case "hold":
            return f"held: {value['because']}"
        case "no hold":
            return "hold taken off"
        case "viewed":
            return f"viewed by {value['by']}"
        case "until":
            return f"kept until {value['until']}" if "until" in value else "no date any more"
        case "corrected":
            return _corrected(change)
        case "moved":
            return f"folder renamed on {value['name']}"
        case _:
            return shown(change.what)


def _corrected(change: Change) -> str:
    before, after = change.value.get("from"), change.value.get("to")
    if not isinstance(before, dict) or not isinstance(after, dict):
        return "corrected"
    parts = [
        f"{key} {_or_none(before[key])} to {_or_none(after[key])}" for key in after if key in before
    ]
    return "corrected: " + ", ".join(parts)


def _or_none(value: object) -> str:
    return "none" if value is None else shown(str(value))
