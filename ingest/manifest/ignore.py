"""Ignore patterns (ASC MHL v1.0 Appendix C, which adapts git's gitignore rules).

Own matcher: patterns come from strangers, and one turned into a regular expression can be made
to run for ever. This one takes at most the product of the two lengths for each part of a path.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from ingest.manifest.model import ALWAYS_IGNORED

__all__ = ["IgnoreList", "literal_pattern"]

_ANY, _STAR, _SLASH = "any", "star", "slash"
_CLASSES: dict[str, Callable[[str], bool]] = {
    "alpha": str.isalpha,
    "digit": str.isdigit,
    "alnum": str.isalnum,
    "upper": str.isupper,
    "lower": str.islower,
    "space": str.isspace,
    "blank": lambda one: one in " \t",
    "punct": lambda one: one.isprintable() and not one.isalnum() and one != " ",
    "print": str.isprintable,
    "graph": lambda one: one.isprintable() and one != " ",
    "cntrl": lambda one: ord(one) < 32 or ord(one) == 127,
    "xdigit": lambda one: one in "0123456789abcdefABCDEF",
}


@dataclass(frozen=True, slots=True)
class _Set:
    """One `[...]`: single characters, ranges, named classes."""

    negated: bool
    ranges: tuple[tuple[str, str], ...]
    classes: tuple[str, ...]

    def holds(self, one: str) -> bool:
        inside = any(low <= one <= high for low, high in self.ranges) or any(
            _CLASSES[name](one) for name in self.classes
        )
        return inside != self.negated


@dataclass(frozen=True, slots=True)
class _Literal:
    character: str


_Token = str | _Set | _Literal
_Part = tuple[_Token, ...] | None  # None stands for **


@dataclass(frozen=True, slots=True)
class _Rule:
    negates: bool
    folders_only: bool
    anchored: bool
    parts: tuple[_Part, ...]

    def matches(self, parts: list[str]) -> bool:
        if not self.anchored:
            only = self.parts[0]
            return only is None or _part_matches(only, parts[-1])
        return _path_matches(self.parts, parts)


class IgnoreList:
    """The patterns of one hash list; the standard's two defaults hold whatever is given."""

    def __init__(self, patterns: Iterable[str] = ()) -> None:
        rules = [_rule(pattern) for pattern in (*patterns, *ALWAYS_IGNORED)]
        self._rules = [rule for rule in rules if rule is not None]
        self._folders: dict[str, bool] = {"": False}

    def ignores(self, path: str, *, is_folder: bool = False) -> bool:
        """True when this path, relative to the root, is ignored, by itself or with a folder
        above it (which no later pattern can bring back)."""
        above, _, _ = path.rpartition("/")
        missing = []
        while above not in self._folders:
            missing.append(above)
            above = above.rpartition("/")[0]
        for folder in reversed(missing):
            inside = self._folders[folder.rpartition("/")[0]]
            self._folders[folder] = inside or self._decides(folder, is_folder=True)
        return self._folders[path.rpartition("/")[0]] or self._decides(path, is_folder=is_folder)

    def _decides(self, path: str, *, is_folder: bool) -> bool:
        parts = path.split("/")
        for rule in reversed(self._rules):
            if (is_folder or not rule.folders_only) and rule.matches(parts):
                return not rule.negates
        return False


def literal_pattern(name: str, *, folder: bool = False) -> str:
    """The pattern that matches exactly this name at any depth (folders only when `folder`)."""
    escaped = "".join("\\" + one if one in "\\*?[" else one for one in name)
    if escaped.startswith(("!", "#")):
        escaped = "\\" + escaped
    kept = escaped.rstrip(" ")
    escaped = kept + "\\ " * (len(escaped) - len(kept))
    return escaped + "/" if folder else escaped


def _rule(pattern: str) -> _Rule | None:
    """None for a comment, a blank line, or a pattern that can match nothing."""
    pattern = _without_trailing_spaces(pattern)
    if not pattern or pattern.startswith("#"):
        return None
    negates = pattern.startswith("!")
    pattern = pattern[1:] if negates else pattern
    tokens = _tokens(pattern)
    if not tokens:
        return None
    folders_only = tokens[-1] == _SLASH
    if folders_only:
        tokens = tokens[:-1]
    anchored = _SLASH in tokens
    if tokens[:1] == [_SLASH]:
        tokens = tokens[1:]
    if not tokens:
        return None
    parts: list[list[_Token]] = [[]]
    for token in tokens:
        if token == _SLASH:
            parts.append([])
        else:
            parts[-1].append(token)
    return _Rule(negates, folders_only, anchored, tuple(_part(part) for part in parts))


def _part(tokens: list[_Token]) -> _Part:
    if len(tokens) > 1 and all(token == _STAR for token in tokens):
        return None
    return tuple(tokens)


def _without_trailing_spaces(pattern: str) -> str:
    kept = pattern.rstrip(" ")
    backslashes = len(kept) - len(kept.rstrip("\\"))
    return kept + " " if backslashes % 2 and len(kept) < len(pattern) else kept


def _tokens(pattern: str) -> list[_Token] | None:
    tokens: list[_Token] = []
    place = 0
    while place < len(pattern):
        one = pattern[place]
        place += 1
        if one == "*":
            tokens.append(_STAR)
        elif one == "?":
            tokens.append(_ANY)
        elif one == "/":
            tokens.append(_SLASH)
        elif one == "[":
            found = _set(pattern, place)
            if found is None:
                return None
            a_set, place = found
            tokens.append(a_set)
        elif one == "\\":
            if place == len(pattern):
                return None
            tokens.append(_SLASH if pattern[place] == "/" else _Literal(pattern[place]))
            place += 1
        else:
            tokens.append(_Literal(one))
    return tokens


def _set(pattern: str, place: int) -> tuple[_Set, int] | None:
    """The set that begins after its bracket, and the place after its end; None: no end."""
    negated = pattern[place : place + 1] in ("!", "^")
    place += negated
    ranges: list[tuple[str, str]] = []
    classes: list[str] = []
    first = True
    while place < len(pattern):
        one = pattern[place]
        if one == "]" and not first:
            return _Set(negated, tuple(ranges), tuple(classes)), place + 1
        first = False
        if pattern.startswith("[:", place):
            end = pattern.find(":]", place + 2)
            if end >= 0:
                name = pattern[place + 2 : end]
                if name not in _CLASSES:
                    return None
                classes.append(name)
                place = end + 2
                continue
        if one == "\\":
            place += 1
            if place == len(pattern):
                return None
            one = pattern[place]
        place += 1
        if pattern[place : place + 1] == "-" and pattern[place + 1 : place + 2] not in ("", "]"):
            place += 1
            if pattern[place] == "\\":
                place += 1
                if place == len(pattern):
                    return None
            ranges.append((one, pattern[place]))
            place += 1
        else:
            ranges.append((one, one))
    return None


def _path_matches(rule: tuple[_Part, ...], parts: list[str]) -> bool:
    """Match part by part, where ** stands for any number of parts (at the end: at least one)."""
    reached = [True] + [False] * len(parts)
    for place, part in enumerate(rule):
        following = [False] * (len(parts) + 1)
        if part is None:
            last = place == len(rule) - 1
            open_ = False
            for index in range(len(parts) + 1):
                following[index] = open_ if last else open_ or reached[index]
                open_ = open_ or reached[index]
        else:
            for index, name in enumerate(parts):
                following[index + 1] = reached[index] and _part_matches(part, name)
        reached = following
    return reached[-1]


def _part_matches(tokens: tuple[_Token, ...], name: str) -> bool:
    """One part against one name. Only the last star ever needs to be taken back."""
    token = place = 0
    star, star_place = -1, 0
    while place < len(name):
        if token < len(tokens) and tokens[token] == _STAR:
            star, star_place = token, place
            token += 1
        elif token < len(tokens) and _one_matches(tokens[token], name[place]):
            token += 1
            place += 1
        elif star >= 0:
            star_place += 1
            token, place = star + 1, star_place
        else:
            return False
    return all(rest == _STAR for rest in tokens[token:])


def _one_matches(token: _Token, one: str) -> bool:
    if isinstance(token, _Literal):
        return token.character == one
    if isinstance(token, _Set):
        return token.holds(one)
    return token == _ANY
