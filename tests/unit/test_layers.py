"""The direction of imports between rooms: downward only, no circle, the heavy ones where they
belong."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "ingest"

LAYERS = (
    ("checksums", "errors", "evidence", "names", "wording"),
    ("platforms",),
    ("drives", "settings"),
    ("card", "media", "manifest"),
    ("catalog",),
    ("slate", "copying"),
    ("assurance",),
    ("report", "handoff"),
    ("jobs",),
    ("cli",),
    ("__main__",),
)
"""From the ground up. A room imports what stands below it, and itself."""

HEIGHT = {room: height for height, rooms in enumerate(LAYERS) for room in rooms}
SIDEWAYS = {("wording", "names"), ("card", "media"), ("handoff", "report"), ("handoff", "report")}
"""Neighbours that may be imported all the same: words use names, clips are grouped by kind, an
editor's table is written as the report's are."""

HOME = {
    "openpyxl": {"slate"},
    "click": {"cli"},
    "tqdm": {"cli"},
    "sqlalchemy": {"catalog"},
    "alembic": {"catalog"},
    "platformdirs": {"catalog"},
    "av": {"media"},
    "pymediainfo": {"media"},
    "wavinfo": {"media"},
    "exifread": {"media"},
    "lxml": {"manifest"},
    "jinja2": {"report"},
    "cryptography": {"report"},
    "typst": {"report"},
    "xxhash": {"checksums", "copying"},
    "ctypes": {"platforms", "manifest"},
    "fcntl": {"platforms", "manifest"},
}
"""Libraries that only some rooms may know. The hash lists have their own durable rename."""


def modules() -> Iterator[tuple[str, ast.Module]]:
    for place in sorted(PACKAGE.rglob("*.py")):
        yield place.relative_to(PACKAGE).as_posix(), ast.parse(place.read_text(encoding="utf-8"))


def room_of(path: str) -> str:
    return path.split("/")[0].removesuffix(".py")


def imported(tree: ast.Module) -> Iterator[str]:
    """Every dotted name that a module imports, wherever in it the import stands."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name the whole path"
            assert node.module is not None
            # `from ingest import names` names a room by its alias.
            if node.module == "ingest":
                yield from (f"ingest.{alias.name}" for alias in node.names)
            else:
                yield node.module


def test_every_room_has_its_place() -> None:
    """A new room is put into the order above before anything else."""
    rooms = {room_of(path) for path, _ in modules()}
    assert rooms - {"__init__"} == set(HEIGHT)


def test_rooms_import_downward_only() -> None:
    """cli -> jobs -> report, handoff -> assurance -> slate, copying -> catalog -> card, media,
    manifest -> drives, settings -> platforms -> the ground."""
    wrong = []
    for path, tree in modules():
        here = room_of(path)
        for name in imported(tree):
            if not name.startswith("ingest."):
                continue
            there = name.split(".")[1]
            if there in (here, "__version__") or (here, there) in SIDEWAYS:
                continue
            if here == "__init__" or HEIGHT[there] >= HEIGHT[here]:
                wrong.append(f"{path} imports {name}")
    assert not wrong


def test_libraries_stay_in_the_rooms_that_need_them() -> None:
    """The core never knows the command line or its bars; only the catalog knows SQL; only media
    knows decoders."""
    wrong = []
    for path, tree in modules():
        for name in imported(tree):
            home = HOME.get(name.split(".")[0])
            if home is not None and room_of(path) not in home:
                wrong.append(f"{path} imports {name}")
    assert not wrong


_CHILDREN = ("media/worker_child.py", "media/hearing_child.py")


def test_the_core_never_prints_prompts_or_exits() -> None:
    """No print, input or exit outside cli, nor standard streams; a worker child is a program of
    its own."""
    wrong = []
    for path, tree in modules():
        if room_of(path) in ("cli", "__main__") or path in _CHILDREN:
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                if node.func.id in ("print", "input", "exit", "quit", "breakpoint"):
                    wrong.append(f"{path}:{node.lineno} calls {node.func.id}")
            elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                told = f"{node.value.id}.{node.attr}"
                if told in ("sys.exit", "sys.stdout", "sys.stderr", "sys.stdin", "sys.argv"):
                    wrong.append(f"{path}:{node.lineno} uses {told}")
    assert not wrong


def test_only_a_catalog_with_no_place_named_reads_the_environment() -> None:
    """Environment goes in from outside; the one exception would be named here."""
    wrong = [
        f"{path}:{node.lineno}"
        for path, tree in modules()
        if room_of(path) not in ("cli", "__main__")
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and (node.value.id, node.attr) in {("os", "environ"), ("os", "getenv")}
    ]
    assert not wrong


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["offload", "--help"]])
def test_help_is_quick_because_nothing_heavy_is_imported(words: list[str]) -> None:
    """`ingest --help` knows no database and no decoder. Help of the biggest command must at
    least leave the decoders alone: they run in processes of their own."""
    code = (
        "import json, sys\n"
        "from ingest.cli.main import run\n"
        f"code = run({words!r})\n"
        "print(json.dumps([code, sorted(sys.modules)]))\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    code_told, loaded = json.loads(ran.stdout.splitlines()[-1])
    heavy = {"av", "pymediainfo", "wavinfo", "exifread", "jinja2", "typst"}
    if words != ["offload", "--help"]:
        heavy |= {"sqlalchemy", "alembic", "lxml", "tqdm"}
    assert code_told == 0
    assert not heavy & set(loaded)
    assert "click" in loaded
