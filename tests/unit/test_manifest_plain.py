"""Plain checksum files, checked by the tools they are for."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import checksums
from ingest.manifest.model import BadManifest
from ingest.manifest.plain import PLAIN_KINDS, PlainLine, plain_list, read_plain
from ingest.manifest.values import DIGEST_LENGTHS
from ingest.names import from_bytes, to_bytes

GNU = {"md5": "md5sum", "sha1": "sha1sum", "sha256": "sha256sum"}
NAMES = [
    "plain.txt", "back\\slash", "new\nline", "car\rret", "end\r", "end\n", "\\n", "*star", " lead",
    "trail ", "-", "-dash", "#hash", "per%41cent", "t\tab", "雪.mov", "x) = 0", "\udcff\udcfe",
    "'\"$(x)`", "MD5 (x) = 0", "esc\x1b[31m", "Sub/inner.mov",
]  # fmt: skip


def is_one_safe_line(text: str) -> bool:
    """No line end and no control character; letters nobody has assigned yet do no harm."""
    return not any(unicodedata.category(one) in ("Cc", "Cs", "Zl", "Zp") for one in text)


def fill(folder: Path, names: list[str]) -> list[tuple[str, bytes]]:
    made = []
    for name in names:
        raw = os.fsencode(folder) + b"/" + to_bytes(name)
        Path(os.fsdecode(raw)).parent.mkdir(exist_ok=True)
        content = b"content of " + to_bytes(name)
        Path(os.fsdecode(raw)).write_bytes(content)
        made.append((name, content))
    return made


def listed(made: list[tuple[str, bytes]], kind: str) -> bytes:
    entries = []
    for name, content in made:
        hasher = checksums.new(kind)
        hasher.update(content)
        entries.append((name, hasher.hexdigest()))
    return plain_list(entries, kind)


def check(tool: list[str], folder: Path, data: bytes) -> subprocess.CompletedProcess[bytes]:
    at = folder.parent / "checksums"
    at.write_bytes(data)
    return subprocess.run(
        [*tool, str(at)], cwd=folder, capture_output=True, check=False, stdin=subprocess.DEVNULL
    )


@pytest.mark.parametrize("kind", GNU)
def test_coreutils_accept_every_name(tmp_path: Path, kind: str) -> None:
    """GNU coreutils, run for real: every line well formed, every file found and right."""
    tool = shutil.which(GNU[kind])
    if tool is None:
        pytest.skip(f"{GNU[kind]} is not installed")
    folder = tmp_path / "roll"
    folder.mkdir()
    made = fill(folder, NAMES)
    data = listed(made, kind)
    done = check([tool, "--check", "--strict", "--quiet"], folder, data)
    assert done.returncode == 0, done
    (folder / "plain.txt").write_bytes(b"content of plaim.txt")
    assert check([tool, "--check", "--strict", "--quiet"], folder, data).returncode != 0


@pytest.mark.parametrize("kind", GNU)
def test_coreutils_write_the_same_lines(tmp_path: Path, kind: str) -> None:
    """Byte for byte what the tool itself writes, where it knows the escapes (9.0 and later)."""
    tool = shutil.which(GNU[kind])
    if tool is None:
        pytest.skip(f"{GNU[kind]} is not installed")
    version = subprocess.run([tool, "--version"], capture_output=True, text=True, check=True).stdout
    found = re.match(r".*GNU coreutils\) (\d+)", version)
    if found is None or int(found[1]) < 9:
        pytest.skip("not GNU coreutils 9 or later, which is where \\r is escaped")
    made = fill(tmp_path, [name for name in NAMES if name != "-"])
    done = subprocess.run(
        [tool, "--", *(to_bytes(name) for name, _ in made)],
        cwd=tmp_path,
        capture_output=True,
        check=True,
    )
    assert listed(made, kind) == done.stdout


@pytest.mark.parametrize("kind", ["xxh64", "xxh128", "xxh3"])
def test_xxhsum_accepts_every_name_but_line_feeds(tmp_path: Path, kind: str) -> None:
    """The xxHash project's tool; 0.8.1 knows no escapes, and says so of a name with a line feed."""
    tool = shutil.which("xxhsum")
    if tool is None:
        pytest.skip("xxhsum is not installed")
    folder = tmp_path / "roll"
    folder.mkdir()
    made = fill(folder, NAMES)
    plain = [one for one in made if "\n" not in one[0]]
    data = listed(plain, kind)
    done = check([tool, "--check", "--strict"], folder, data)
    assert done.returncode == 0, done
    assert done.stdout.count(b": OK") == len(plain)
    (folder / "plain.txt").write_bytes(b"content of plaim.txt")
    assert check([tool, "--check"], folder, data).returncode != 0
    (folder / "plain.txt").write_bytes(b"content of plain.txt")
    warned = check([tool, "--check", "--strict"], folder, listed(made, kind))
    assert warned.returncode != 0 or warned.stdout.count(b": OK") == len(made)


def test_the_escapes_are_the_ones_of_the_manual() -> None:
    """GNU coreutils manual, md5sum invocation; digest of `abc` from RFC 1321, A.5."""
    abc = "900150983cd24fb0d6963f7d28e17f72"
    names = ["plain.txt", "back\\slash", "new\nline", "car\rret"]
    assert plain_list([(name, abc) for name in names], "md5").decode() == (
        f"{abc}  plain.txt\n\\{abc}  back\\\\slash\n\\{abc}  new\\nline\n\\{abc}  car\\rret\n"
    )


raw_names = st.binary(min_size=1, max_size=12).filter(
    lambda raw: (
        not {b"/", b"\0"} & {raw[n : n + 1] for n in range(len(raw))} and raw not in (b".", b"..")
    )
)


@settings(deadline=None)
@given(st.sampled_from(PLAIN_KINDS), st.lists(raw_names, min_size=1, max_size=5, unique=True))
def test_any_names_read_back_as_the_same(kind: str, raws: list[bytes]) -> None:
    """Exact bytes, in every kind."""
    digest = "a" * DIGEST_LENGTHS[kind]
    names = [from_bytes(raw) for raw in raws]
    read = read_plain(plain_list([(name, digest) for name in names], kind), kind)
    assert [line.path for line in read.lines] == names
    assert read.remarks == ()


def test_the_forms_of_other_tools_are_read() -> None:
    """Comments, blank lines, upper case, CR LF, binary flag, tagged, one blank, leading ./"""
    abc = "900150983cd24fb0d6963f7d28e17f72"
    data = (
        f"# by hand\r\n\r\n{abc.upper()} *a\r\n{abc}  ./b\n"
        f"MD5 (c d) = {abc}\n\\MD5 (e\\\\f) = {abc}\n{abc} g\nnonsense\n"
    ).encode()
    read = read_plain(data, "md5")
    assert read.lines == tuple(PlainLine(path, abc) for path in ("a", "b", "c d", "e\\f", "g"))
    assert read.remarks == ("line 8 is no md5 line",)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"nothing here\n",
        b"900150983cd24fb0d6963f7d28e17f72  ../up\n",
        b"900150983cd24fb0d6963f7d28e17f72  /etc/passwd\n",
        b"900150983cd24fb0d6963f7d28e17f72  a\n000150983cd24fb0d6963f7d28e17f72  a\n",
        b"XXH128 (a) = 900150983cd24fb0d6963f7d28e17f72\n",
        b"\\900150983cd24fb0d6963f7d28e17f72  bad\\escape\n",
    ],
)
def test_what_could_mislead_is_refused(data: bytes) -> None:
    """Paths that lead out, contradictions, other kinds."""
    with pytest.raises(BadManifest):
        read_plain(data, "md5")


@settings(deadline=None)
@given(st.sampled_from(PLAIN_KINDS), st.binary())
def test_any_bytes_only_one_error_comes_out(kind: str, data: bytes) -> None:
    """Strangers' files."""
    try:
        read_plain(data, kind)
    except BadManifest as error:
        assert is_one_safe_line(error.what)


def test_a_kind_without_a_tool_has_no_plain_file() -> None:
    """C4 has a home in the hash list only."""
    with pytest.raises(ValueError, match="c4"):
        plain_list([], "c4")
    with pytest.raises(ValueError, match="c4"):
        read_plain(b"", "c4")
