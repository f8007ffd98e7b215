"""What a proof's page tells people to type does what it says, as far as it can be run here.

Linux: every line, in a shell, with GNU coreutils. macOS: every line in zsh, its shell since 10.15
(Apple's support page "Use zsh as the default shell"), and in sh; `shasum` is the same Perl program;
`md5 -q` is stood in for by what md5(1) of FreeBSD, from which Apple's comes, says of `-q`: only the
checksum is printed. Windows: no PowerShell runs here, so its lines are read by a grammar of the
language (tree-sitter-powershell), and held against what the reference of Get-FileHash says (from
memory: `-Algorithm` takes SHA1, SHA256, SHA384, SHA512 and MD5).
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
import tree_sitter_powershell
from tree_sitter import Language, Parser

from fixtures.damage import flip_bit
from ingest.report.proof.folder import build
from ingest.report.proof.gather import prove
from ingest.report.proof.verify import systems
from tests.helpers import proofs

FOOTAGE = {
    **proofs.FOOTAGE,
    'CLIP/it\'s $HOME `x` "q".MOV': b"quoted",
    "CLIP/-lead é 漢.MOV": b"leading dash",
    "CLIP/ two  blanks.MOV": b"blanks",
}
KINDS = {"md5": "md5", "sha1": "sha1", "sha256": "sha256", "c4": "sha512"}
"""Checksum kind of the footage, and of the list that a plain system checks."""


class Sent:
    """A drive and a proof of it, as the client has them."""

    def __init__(self, place: Path, kind: str) -> None:
        self.drive = proofs.write_drive(place / "HERON", FOOTAGE)
        intake = proofs.intake(FOOTAGE, kinds=(kind,))
        made = build(prove(intake, proofs.records(intake), machine="cart-7"), pdf=False)
        self.proof = proofs.write_folder(place / "proof", made.files)
        self._systems = {one.name: one for one in systems(made.facts)}

    def lines(self, system: str) -> list[str]:
        return [line for step in self._systems[system].steps for line in step.commands]

    def said(self, shell: str, system: str, tools: Path) -> list[str]:
        """What the lines say, typed one after the other; the first two say where things are."""
        first, second, *rest = self.lines(system)
        assert (first.partition("=")[0], second.partition("=")[0]) == ("proof", "drive")
        script = "\n".join([f"proof='{self.proof}'", f"drive='{self.drive}'", *rest])
        ran = subprocess.run(
            [shell], input=script.encode(), cwd="/", check=False, capture_output=True,
            env={"PATH": str(tools), "LC_ALL": "C.UTF-8"}, timeout=60,
        )  # fmt: skip
        return (ran.stdout + ran.stderr).decode("utf-8", "replace").splitlines()

    def verdicts(self, shell: str, system: str, tools: Path) -> list[str]:
        return [line for line in self.said(shell, system, tools) if "ALL EQUAL" in line]


@pytest.fixture
def tools(tmp_path: Path) -> Callable[[str], Path]:
    """A PATH with these programs alone."""

    def only(*names: str) -> Path:
        folder = tmp_path / "tools"
        folder.mkdir(exist_ok=True)
        for name in dict.fromkeys(names):
            found = shutil.which(name)
            if found is None:
                pytest.skip(f"no {name} on this machine")
            (folder / name).symlink_to(found)
        return folder

    return only


def checked(sent: Sent, shell: str, system: str, tools: Path) -> None:
    """Whole, then with one bit flipped on the drive, then with a file gone."""
    good, bad = "ALL EQUAL", "NOT ALL EQUAL: see above"
    assert sent.verdicts(shell, system, tools) == [good, good]
    clip = next(sent.drive.rglob("-lead*"))
    flip_bit(clip)
    said = sent.said(shell, system, tools)
    assert [line for line in said if "ALL EQUAL" in line] == [good, bad]
    assert any(clip.name in line for line in said), "it is named"
    flip_bit(clip)
    next(sent.drive.rglob("it's*")).unlink()
    assert sent.verdicts(shell, system, tools) == [good, bad]
    flip_bit(sent.proof / "proof.json")
    assert sent.verdicts(shell, system, tools)[0] == bad


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("shell", ["/bin/sh", "/bin/bash"])
def test_every_line_for_linux_tells_whole_from_damaged(
    kind: str, shell: str, tools: Callable[..., Path], tmp_path: Path
) -> None:
    """With the two programs of coreutils that the page names for it, and nothing else."""
    checked(Sent(tmp_path, kind), shell, "Linux", tools("sha256sum", f"{KINDS[kind]}sum"))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("shell", ["zsh", "sh"])
def test_every_line_for_macs_tells_whole_from_damaged(
    kind: str, shell: str, tools: Callable[..., Path], tmp_path: Path
) -> None:
    """In the shell that a Mac opens, and in a plain one."""
    found = shutil.which(shell)
    if found is None:
        pytest.skip(f"no {shell} on this machine")
    folder = tools("perl", "shasum", "md5sum")
    (folder / "md5").write_text(
        '#!/bin/sh\n[ "$1" = -q ] || exit 2\nset -- $(md5sum <"$2") && echo "$1"\n'
    )
    (folder / "md5").chmod(0o755)
    checked(Sent(tmp_path, kind), found, "macOS", folder)


@pytest.mark.parametrize("kind", ["xxh128", "xxh64"])
def test_lists_that_no_system_brings_a_program_for_are_read_by_xxhashs_own(
    kind: str, tools: Callable[..., Path], tmp_path: Path
) -> None:
    """xxhsum's own reader of its lists says OK to every file."""
    program = tools(f"{kind}sum") / f"{kind}sum"
    sent = Sent(tmp_path, kind)
    ran = subprocess.run(
        [program, "--check", sent.proof / f"footage.{kind}"], cwd=sent.drive, check=False,
        capture_output=True,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert ran.stdout.count(b": OK") == len(FOOTAGE)


@pytest.mark.parametrize("kind", KINDS)
def test_every_line_for_windows_is_powershell(kind: str, tmp_path: Path) -> None:
    """By a grammar of the language: no line holds what can't be read. Every name is taken
    literally, and every algorithm is one that Get-FileHash knows."""
    parser = Parser(Language(tree_sitter_powershell.language()))
    assert parser.parse(b"if (1 { 'x' }").root_node.has_error, "the judge can say no"
    lines = Sent(tmp_path, kind).lines("Windows")
    assert len(lines) == 4
    for line in lines:
        assert not parser.parse(line.encode()).root_node.has_error, line
    for line in lines[2:]:
        assert "-LiteralPath $name" in line and "cd -LiteralPath" in line
        algorithm = line.partition("-Algorithm ")[2].partition(")")[0]
        assert algorithm in {"SHA1", "SHA256", "SHA384", "SHA512", "MD5"}
