"""Pages set by a real typesetter: values and pictures in, a tagged PDF out.

A document is a Typst source that begins with `#import "/house.typ": *` and `#show: pages`; it reads
its values with `json("/facts.json")`, so that no name in them can be markup. Every string goes
through `names.shown` here, whatever the caller did.

What is set conforms to PDF/A-2a (ISO 19005-2: archival, tagged) and PDF/UA-1 (ISO 14289-1:
readable by a screen reader). Both forbid a character that no font has, where the typesetter would
otherwise draw an empty box and say nothing: it names each of them, they are written as escapes,
and the document says so on its last page. Nothing is fetched; the result depends on the values, the
paper, the date given and the fonts of the computer alone.
"""

from __future__ import annotations

import json
import os
import re
import tempfile
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from functools import cache
from importlib.resources import files as resources
from typing import TYPE_CHECKING, Any

from ingest.errors import Unfinished
from ingest.names import shown

if TYPE_CHECKING:
    import typst

__all__ = ["CannotTypeset", "Paper", "Typeset", "installed", "template", "typeset"]

_ROUNDS = 6
_REFUSED = re.compile(r'the (?:text|codepoint|PDF contains the codepoint) `?"((?:[^"\\]|\\.)*)"')
_CODE = re.compile(r"\\u\{([0-9a-fA-F]+)\}")
_RUN = 12
_BREAK = "\u200b"
"""Zero width space: a line may break here (Unicode Standard Annex 14, class ZW)."""


class Paper(StrEnum):
    """The sheet; values are the typesetter's names."""

    A4 = "a4"
    LETTER = "us-letter"


class CannotTypeset(Unfinished):
    """The PDF could not be made. Nothing else is affected."""


@dataclass(frozen=True, slots=True)
class Typeset:
    """A finished document."""

    pdf: bytes
    escaped: frozenset[str]
    """Characters of the values that no font on this computer has, written as escapes in it."""
    broken: frozenset[str]
    """Keys of pictures that could not be drawn and are left out."""


def installed() -> bool:
    """Whether the typesetter can be loaded here."""
    try:
        import typst  # noqa: F401
    except ImportError:
        return False
    return True


def typeset(
    source: str,
    facts: Mapping[str, Any],
    *,
    title: str,
    written: datetime,
    paper: Paper = Paper.A4,
    pictures: Mapping[str, bytes] | None = None,
    system_fonts: bool = True,
) -> Typeset:
    """Set the document that the Typst text `source` describes.

    `facts` are JSON values; the source finds them in `/facts.json`. `pictures` are JPEG or PNG by
    key: it finds the place of each in `/pictures.json`; a key without a place could not be drawn.
    Keys are the caller's own (`p12`), never a name. `written` is aware. Without `system_fonts` only
    those fonts are used that the typesetter brings along.

    Raises CannotTypeset when the typesetter is missing or refuses.
    """
    if not installed():
        raise CannotTypeset(
            "The PDF can't be set: the typesetter (the Python package typst) is not installed.",
            do="python -m pip install typst",
        )
    house = {
        "title": title,
        "paper": paper.value,
        "written": list(written.astimezone(UTC).timetuple()[:6]),
    }
    with tempfile.TemporaryDirectory(prefix="ingest-pages-") as folder:
        _put(folder, "house.typ", template("house.typ").encode())
        places = {}
        for number, (key, data) in enumerate((pictures or {}).items()):
            if not (key.isascii() and key.isalnum() and len(key) <= _RUN):
                raise ValueError(f"not a key for a picture: {key!r}")
            kind = "png" if data.startswith(b"\x89PNG") else "jpg"
            places[key] = f"/{number}.{kind}"
            _put(folder, places[key][1:], data)
        setter = _Setter(folder, source.encode(), house, facts, places, system_fonts)
        return setter.run(int(written.timestamp()))


def template(name: str) -> str:
    """The text of a file among the report's templates."""
    return (resources("ingest.report") / "templates" / name).read_text(encoding="utf-8")


def _breakable(text: str) -> str:
    """The text with places where a line may break within its long runs: after `/ _ - .`, and
    between any two characters of a run that gets too long. What is seen stays the same, and what
    is copied from the PDF too: the mark has no glyph."""
    if len(text) <= _RUN:
        return text
    parts: list[str] = []
    since = 0
    for character, following in zip(text, text[1:] + " ", strict=True):
        parts.append(character)
        since = 0 if character.isspace() else since + 1
        limit = _RUN if character.isascii() else 2 * _RUN
        if (since >= limit and _apart(character, following)) or (
            character in "/_-." and since > 2 and following.isascii()
        ):
            parts.append(_BREAK)
            since = 0
    return "".join(parts)


def _apart(character: str, following: str) -> bool:
    """Whether the two may stand on different lines: not within one cluster."""
    joined = unicodedata.category(following) in ("Mn", "Mc", "Me", "Cf", "Sk")
    return not joined and character != "\u200d"


class _Setter:
    """One document in its folder; tried again as characters and pictures are found wanting."""

    def __init__(
        self,
        folder: str,
        source: bytes,
        house: Mapping[str, Any],
        facts: Mapping[str, Any],
        places: Mapping[str, str],
        system_fonts: bool,
    ) -> None:
        self.folder = folder
        self.source = source
        self.house = house
        self.facts = facts
        self.places = dict(places)
        self.fonts = _fonts(system_fonts)
        self.missing: set[str] = set()
        self.broken: set[str] = set()

    def run(self, timestamp: int) -> Typeset:
        import typst

        self._probe()
        for _ in range(_ROUNDS):
            self._lay_out()
            try:
                pdf = self._compile(self.source, timestamp)
            except typst.TypstError as error:
                if not (self._learn(error) or self._drop_pictures()):
                    raise CannotTypeset(
                        f"The PDF can't be set: {shown(error.message)}.",
                        do="use the page instead, and report this",
                    ) from error
            else:
                return Typeset(pdf, frozenset(self.missing), frozenset(self.broken))
        raise CannotTypeset(
            "The PDF can't be set: the fonts of this computer answer otherwise each time.",
            do="use the page instead, and report this",
        )

    def _compile(self, source: bytes, timestamp: int = 0) -> bytes:
        import typst

        compiler = typst.Compiler(source, root=self.folder, font_paths=self.fonts)
        made = compiler.compile(format="pdf", pdf_standards=["a-2a", "ua-1"], timestamp=timestamp)
        if not isinstance(made, bytes):
            raise TypeError("a PDF is one piece of bytes")
        return made

    def _lay_out(self) -> None:
        """Write the values as they are to be set."""
        escape = frozenset(self.missing)
        house = {**self.house, "unfonted": [shown(each, each) for each in sorted(escape)]}
        _put(self.folder, "house.json", _json(_said(house, escape)))
        _put(self.folder, "facts.json", _json(_said(self.facts, escape)))
        _put(self.folder, "pictures.json", _json(self.places))

    def _probe(self) -> None:
        """Ask for the characters beyond ASCII first, in a document that holds nothing else."""
        import typst

        self._lay_out()
        held: set[str] = set()
        _gather([self.house, self.facts], held)
        for _ in range(_ROUNDS):
            escape = frozenset(self.missing)
            words = sorted(
                {
                    word
                    for text in held
                    for word in shown(text, escape).split(" ")
                    if not word.isascii()
                }
            )
            if not words:
                return
            _put(self.folder, "words.json", _json(words))
            try:
                self._compile(_PROBE)
            except typst.TypstError as error:
                if not self._learn(error):
                    # It refuses and doesn't say what: write everything beyond ASCII as escapes.
                    self.missing |= {each for word in words for each in word if not each.isascii()}
            else:
                return

    def _learn(self, error: typst.TypstError) -> bool:
        """Take in which characters were refused; False when there is none that is new."""
        found = {
            character
            for text in _REFUSED.findall(error.diagnostic)
            for character in _unquoted(text)
            if not character.isascii()
        }
        new = found - self.missing
        self.missing |= new
        return bool(new)

    def _drop_pictures(self) -> bool:
        """Leave out the pictures that can't be drawn; False when all can."""
        bad = set(_failing(sorted(self.places), self._draws))
        for key in bad:
            del self.places[key]
        self.broken |= bad
        return bool(bad)

    def _draws(self, keys: Sequence[str]) -> bool:
        import typst

        shots = "\n".join(f'#image("{self.places[key]}", alt: "x", width: 1cm)' for key in keys)
        try:
            self._compile(_BARE + shots.encode("ascii"))
        except typst.TypstError:
            return False
        return True


_BARE = b"""#set document(title: "x", date: datetime(year: 2000, month: 1, day: 1))
#set text(lang: "en")
"""
_PROBE = (
    b'#import "/house.typ": plain-text\n#show: plain-text\n'
    + _BARE
    + b'#for word in json("/words.json") [#text(word) #text(font: "DejaVu Sans Mono", word) \\ ]\n'
)


def _failing(keys: Sequence[str], good: Callable[[Sequence[str]], bool]) -> list[str]:
    """Those keys that are not good alone, by halving."""
    if not keys or good(keys):
        return []
    if len(keys) == 1:
        return list(keys)
    half = len(keys) // 2
    return _failing(keys[:half], good) + _failing(keys[half:], good)


def _said(value: Any, escape: frozenset[str]) -> Any:
    if isinstance(value, str):
        return _breakable(shown(value, escape))
    if isinstance(value, Mapping):
        return {shown(str(key), escape): _said(each, escape) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_said(each, escape) for each in value]
    return value


def _gather(value: Any, held: set[str]) -> None:
    if isinstance(value, str):
        if not value.isascii():
            held.add(value)
    elif isinstance(value, Mapping):
        for key, each in value.items():
            _gather(str(key), held)
            _gather(each, held)
    elif isinstance(value, list | tuple):
        for each in value:
            _gather(each, held)


def _unquoted(text: str) -> str:
    return _CODE.sub(lambda found: chr(int(found.group(1), 16)), text)


def _json(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False).encode("utf-8")


def _put(folder: str, name: str, data: bytes) -> None:
    with open(os.path.join(folder, name), "wb") as file:
        file.write(data)


@cache
def _fonts(system: bool) -> typst.Fonts:
    import typst

    return typst.Fonts(include_system_fonts=system)
