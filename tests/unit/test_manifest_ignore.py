"""Ignore patterns, with git itself as the outside judge."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ingest.manifest.ignore import IgnoreList, literal_pattern

# ASC MHL v1.0 Appendix C; expected results as git 2.39.5 gave them, one pattern at a time.
TABLE = [
    (["doc/frotz/"], ["doc/frotz/f"], ["a/doc/frotz/f"]),
    (["frotz/"], ["frotz/f", "a/frotz/f", "doc/frotz/f", "a/doc/frotz/f"], ["x/frotz"]),
    (["/proxies"], ["proxies/f"], ["a/proxies/f"]),
    (["proxies"], ["proxies/f", "a/proxies/f"], []),
    (["a/proxies"], ["a/proxies/f"], ["proxies/f"]),
    ([".DS_Store"], [".DS_Store", "Clips/.DS_Store"], ["x.DS_Store"]),
    (["*.DS_Store"], [".DS_Store", "Clips/.DS_Store", "x.DS_Store"], []),
    (["ascmhl/"], ["ascmhl/f", "a/ascmhl/f"], ["x/ascmhl"]),
    (["abc/**"], ["abc/f", "abc/x/f"], ["x/abc"]),
    (["a/**/b"], ["a/b/f", "a/x/b/f", "a/x/y/b/f"], []),
    (["**/frotz"], ["frotz/f", "a/frotz/f", "doc/frotz/f", "a/doc/frotz/f"], []),
    (["[a-c]bc/"], ["abc/f", "abc/x/f"], ["dbc/f"]),
    (["\\!important!.txt"], ["!important!.txt"], []),
    (["!important!.txt"], [], ["!important!.txt"]),
    (["#hash.txt"], [], ["#hash.txt"]),
    (["\\#hash.txt"], ["#hash.txt"], []),
    (["*.DS_Store", "!x.DS_Store"], [".DS_Store", "Clips/.DS_Store"], ["x.DS_Store"]),
    (["a/", "!a/b/f"], ["a/b/f", "a/c"], ["b/a"]),
    (["a?c"], ["abc"], ["abbc", "a/c"]),
    (["a**c"], ["abbc", "ac"], ["a/c"]),
    (["x/*"], ["x/f", "x/y/f"], ["z/x/f"]),
    (["tail  "], ["tail"], ["tail  "]),
    (["tail\\ "], ["tail "], ["tail"]),
    (["[!a]x"], ["bx"], ["ax"]),
    (["[]-]x"], ["]x", "-x"], ["ax"]),
    (["[[:digit:]]x"], ["1x"], ["ax"]),
    (["[a"], [], ["[a", "a"]),
    (["a\\"], [], ["a", "a\\"]),
    (["**"], ["a", "b/c"], []),
    (["/"], [], ["a"]),
    (["*/b/"], ["a/b/f"], ["b/f", "a/b"]),
]  # fmt: skip

needs_git = pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")


@pytest.mark.parametrize(("patterns", "hit", "missed"), TABLE)
def test_each_pattern_matches_as_git_does(
    patterns: list[str], hit: list[str], missed: list[str]
) -> None:
    """The rules of Appendix C, one by one."""
    ignore = IgnoreList(patterns)
    # The two defaults always hold, which git knows nothing of; they are taken out of `missed`.
    assert [path for path in hit if not ignore.ignores(path)] == []
    assert [path for path in missed if ignore.ignores(path)] == []


def test_a_pattern_for_folders_matches_the_folder_itself() -> None:
    """`frotz/` means the folder and all in it, and no file of that name."""
    ignore = IgnoreList(["frotz/"])
    assert ignore.ignores("a/frotz", is_folder=True)
    assert not ignore.ignores("a/frotz")


def test_the_standards_defaults_hold_whatever_is_listed() -> None:
    """Section 5.6.1.2; a stranger's list may leave them out."""
    ignore = IgnoreList([])
    assert ignore.ignores("A/.DS_Store")
    assert ignore.ignores("ascmhl", is_folder=True)
    assert ignore.ignores("Sub/ascmhl/0001.mhl")
    assert not ignore.ignores("ascmhl")
    assert not ignore.ignores("A/clip.mov")
    assert IgnoreList(["!.DS_Store", "!ascmhl/"]).ignores("ascmhl/0001.mhl")


def judged_by_git(folder: Path, patterns: list[str], paths: list[str]) -> set[str]:
    (folder / ".git" / "info").mkdir(parents=True, exist_ok=True)
    (folder / ".git" / "info" / "exclude").write_text("\n".join(patterns) + "\n")
    done = subprocess.run(
        ["git", "check-ignore", "--no-index", "-z", "--stdin"],
        cwd=folder,
        input="\0".join(paths).encode(),
        capture_output=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    return {path for path in done.stdout.decode().split("\0") if path}


@pytest.fixture(scope="module")
def repository(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("git")
    subprocess.run(["git", "init", "-q", str(folder)], check=True, capture_output=True)
    return folder


@needs_git
@pytest.mark.parametrize(("patterns", "hit", "missed"), TABLE)
def test_git_itself_agrees_with_the_table(
    repository: Path, patterns: list[str], hit: list[str], missed: list[str]
) -> None:
    """The installed git, asked about the same paths."""
    assert judged_by_git(repository, patterns, hit + missed) == set(hit)


# Stars that touch something other than a slash are plain stars by Appendix C; git itself differs
# there (`.**/a` matches `.a` in 2.39.5), so the judge is not asked about them.
part = st.one_of(
    st.just("**"),
    st.lists(
        st.sampled_from(["a", "b", "*", "?", "[ab]", "[!a]", "[a-b]", "\\a", "!", " ", "#", "."]),
        min_size=1,
        max_size=4,
    )
    .map("".join)
    .filter(lambda text: "**" not in text),
)
glob = st.builds(
    lambda front, parts, end: front + "/".join(parts) + end,
    st.sampled_from(["", "/", "!"]),
    st.lists(part, min_size=1, max_size=4),
    st.sampled_from(["", "/", " "]),
)
walks = st.lists(st.text("ab.!#", min_size=1, max_size=3), min_size=1, max_size=4)


@needs_git
@settings(
    max_examples=150,
    deadline=None,
)
@given(st.lists(glob, min_size=1, max_size=3), st.lists(walks, min_size=1, max_size=8))
def test_any_patterns_agree_with_git(
    repository: Path, patterns: list[str], found: list[list[str]]
) -> None:
    """Random patterns on random paths, judged by git."""
    paths = sorted({"/".join(parts) for parts in found if not {".", ".."} & set(parts)})
    assume(paths)
    ours = IgnoreList(patterns)
    expected = judged_by_git(repository, patterns, paths)
    assert {path for path in paths if ours.ignores(path)} == expected


@settings(deadline=None)
@given(st.text(st.characters(exclude_characters="/\0\n", exclude_categories=("Cs",)), min_size=1))
def test_a_literal_pattern_matches_its_name_and_no_other(name: str) -> None:
    """Names of litter become patterns that mean just them."""
    ignore = IgnoreList([literal_pattern(name)])
    assert ignore.ignores(name)
    assert ignore.ignores(f"deep/{name}")
    assert not ignore.ignores(name + "x")
    assert not ignore.ignores("x" + name)
    folders = IgnoreList([literal_pattern(name, folder=True)])
    assert folders.ignores(name, is_folder=True)
    assert not folders.ignores(name) or name == ".DS_Store"


def test_a_hostile_pattern_ends() -> None:
    """What would keep a regular expression busy for years takes a moment here."""
    ignore = IgnoreList(["*a" * 100 + "b", "**/" * 60 + "x", "/".join(["**", "a"] * 40) + "/b"])
    assert not ignore.ignores("a" * 255)
    assert not ignore.ignores("/".join("a" * 100))
