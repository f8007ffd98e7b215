"""The intake report as a person opens it: from disk, in a browser, with no network."""

from __future__ import annotations

import base64
import io
import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import axe_core_python
import pytest
from browser import Browser, Page, opened_browser
from pypdf import PdfReader

from ingest.evidence import Against, Route, State
from ingest.jobs.report import write_report
from ingest.report.facts import (
    ClipLine,
    CopyLine,
    FileLine,
    IntakeFacts,
    RollLine,
    TakeLine,
    Totals,
)
from tests.unit.test_report_forms import make

AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
"""axe-core, as that package carries it: the judge of what keyboard and screen reader need."""

NOW = datetime(2026, 3, 14, 23, 10, tzinfo=UTC)
HURT = '</script><script>document.title="hurt"</script><img src=x onerror=document.title="hurt">'


def facts() -> IntakeFacts:
    """Three clips of two scenes, one with a name that tries to run."""
    copy = CopyLine("Harbour 1", "x", State.MATCHED, Route.MEDIUM, Against.CARD, NOW, "", "disk 1")
    file = FileLine("A001", "CLIP/C0001.MOV", 1000, {"xxh128": "ab"}, (copy,))
    first = ClipLine(
        name="A001/C0001",
        roll="A001",
        day=1,
        camera="A",
        kind="picture",
        takes=(TakeLine("12A", "2", rating="circled"),),
        start_timecode="10:00:00:00",
        duration_seconds=Fraction(60),
        frame_rate=Fraction(25),
        files=(file,),
    )
    return IntakeFacts(
        production="Salt and Lanterns",
        scope="Salt and Lanterns",
        as_of=NOW,
        wanted=2,
        verdict="Not safe yet: 1 file of 1 has no good second copy (as of 2026-03-14 23:10 UTC).",
        remarks=(),
        problems=(),
        totals=Totals(1, 1000, 1, 1, 0, 3, 1, 1),
        drives=(),
        rolls=(RollLine("A001", 1, "2026-03-14", "A", "A-01", 1, 1000, 3, 0, 1),),
        clips=(
            first,
            replace(
                first,
                name="A001/C0002",
                takes=(TakeLine("9", "1"),),
                duration_seconds=Fraction(600),
                files=(),
            ),
            replace(first, name=f"A001/{HURT}", takes=(), camera="B", files=()),
        ),
        files=(file,),
        cameras=(),
        days=(),
        offloads=(),
    )


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One headless Chromium for all of these tests."""
    program = shutil.which("chromium")
    if program is None:
        if os.environ.get("CI") == "true" and os.geteuid() == 0:
            pytest.fail("no chromium: scripts/test installs it in CI")
        pytest.skip("no chromium on this machine (Debian's package chromium)")
    with opened_browser(program, tmp_path_factory.mktemp("profile")) as running:
        yield running


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page as it lies in the folder."""
    out = tmp_path_factory.mktemp("report")
    write_report(facts(), str(out))
    return out / "intake-report.html"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with every text a name that would do harm, or be long, or of another script."""
    out = tmp_path_factory.mktemp("hostile")
    write_report(make("x" * 300 + HURT + "\u202e=1+1\n🎬 第三場 المشهد"), str(out))
    return out / "intake-report.html"


@pytest.fixture
def page(browser: Browser, written: Path) -> Iterator[Page]:
    """The page, opened from disk."""
    opened = browser.open(written)
    yield opened
    opened.close()


def names(page: Page) -> list[str]:
    """Headings of groups and names of clips, from top to bottom."""
    told = page.run(
        "Array.from(document.querySelectorAll('tbody tr.clip th bdi, tr.group th bdi'),"
        " (each) => each.textContent)"
    )
    assert isinstance(told, list)
    return told


def put(page: Page, field: str, value: str) -> list[str]:
    """Set one of the controls as a person does, and read the list."""
    page.run(
        f"(() => {{ const field = document.getElementById({field!r}); field.value = {value!r};"
        " field.dispatchEvent(new Event('input', { bubbles: true })); })()"
    )
    return names(page)


ONE, TWO, ODD = "A001/C0001", "A001/C0002", f"A001/{HURT}"


def test_opened_from_disk_nothing_is_fetched_and_nothing_complains(page: Page) -> None:
    """No request leaves, the console is silent, no name runs, and the controls appear."""
    assert page.requests()
    assert [one for one in page.requests() if not one.startswith(("file:///", "data:image/"))] == []
    assert sum(one.startswith("file:") for one in page.requests()) == 1
    assert page.complaints() == []
    assert page.run("document.title") == "Intake report: Salt and Lanterns"
    assert page.run("document.getElementById('controls').hidden") is False
    assert names(page) == ["Scene 9", TWO, "Scene 12A", ONE, "No scene yet", ODD]


def test_a_page_full_of_hostile_names_is_as_quiet(browser: Browser, hostile: Path) -> None:
    """Markup, script, direction, line break, 300 characters, emoji, CJK and Arabic everywhere."""
    page = browser.open(hostile)
    assert page.complaints() == []
    assert [one for one in page.requests() if not one.startswith(("file:///", "data:image/"))] == []
    assert page.run("document.title").startswith("Intake report: xxx")
    assert page.run("document.querySelectorAll('img[src=x], b#hurt').length") == 0
    assert len(names(page)) > 2
    for width in (390, 1280):
        page.size(width, 800)
        # Nothing sticks out: the page itself never scrolls sideways.
        assert page.run("document.documentElement.scrollWidth") <= width
    page.close()


def test_what_was_smuggled_into_the_page_is_refused_by_its_policy(
    browser: Browser, written: Path
) -> None:
    """Even a script that got past the escaping would not run; the console says so."""
    other = written.parent / "smuggled.html"
    text = written.read_text(encoding="utf-8")
    other.write_text(text.replace("</body>", '<script>document.title="hurt"</script></body>'))
    page = browser.open(other)
    assert page.run("document.title") == "Intake report: Salt and Lanterns"
    assert page.complaints() != []
    page.close()


def test_search_order_and_grouping_work(page: Page) -> None:
    """Driven as a person would."""
    start = names(page)
    assert put(page, "order", "seconds") == start
    assert put(page, "group", "roll")[:2] == ["Roll A001", TWO]
    flat = put(page, "group", "")
    assert flat[0] == TWO
    assert sorted(flat) == sorted([ONE, TWO, ODD])
    assert put(page, "search", "C0002") == [TWO]
    assert page.run("document.getElementById('shown').textContent") == "1 clip of 3 shown."
    assert put(page, "search", "matched 12a") == [ONE]
    assert put(page, "search", "no such words") == []
    put(page, "search", "")
    assert put(page, "rating", "circled") == [ONE]
    put(page, "rating", "")
    assert put(page, "camera", "B") == [ODD]


def test_a_columns_heading_sorts_and_turns_round_by_keyboard(page: Page) -> None:
    """Enter on the heading of a column sorts by it, a second Enter the other way; both are said
    (WAI-ARIA 1.2, aria-sort)."""
    put(page, "group", "")
    page.run("document.querySelector('th[data-order=name] button').focus()")
    page.press("Enter", 13, "\r")
    forward = names(page)
    said = "document.querySelector('th[data-order=name]').getAttribute('aria-sort')"
    assert page.run(said) == "ascending"
    page.press("Enter", 13, "\r")
    assert names(page) == forward[::-1]
    assert page.run(said) == "descending"
    assert page.run("document.querySelectorAll('[aria-sort]').length") == 1


def test_the_first_key_offers_the_way_past_everything_to_the_clips(page: Page) -> None:
    """Tab, Enter: there (WCAG 2.2, 2.4.1)."""
    page.press("Tab", 9)
    assert page.run("document.activeElement.textContent") == "To the clips"
    page.press("Enter", 13, "\r")
    assert page.run("location.hash") == "#clips"


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("which", ["written", "hostile"])
def test_axe_finds_nothing(
    browser: Browser, which: str, dark: bool, request: pytest.FixtureRequest
) -> None:
    """axe-core's rules (WCAG 2 A, AA and good practice), contrast included, wide and narrow."""
    page = browser.open(request.getfixturevalue(which), dark=dark)
    page.run(AXE + "; 0")
    for width in (1280, 390):
        page.size(width, 900)
        found = page.run("axe.run(document, { resultTypes: ['violations'] })")
        assert len(found["passes"]) > 10
        assert [
            (one["id"], one["impact"], one["nodes"][0]["html"][:200]) for one in found["violations"]
        ] == []
    page.close()


def test_with_scripts_off_everything_is_there(browser: Browser, written: Path) -> None:
    """The controls stay away, the clips and files don't."""
    page = browser.open(written, scripts=False)
    root = page.call("DOM.getDocument")["root"]["nodeId"]
    found = page.call("DOM.querySelectorAll", nodeId=root, selector="tr.clip")["nodeIds"]
    controls = page.call("DOM.querySelector", nodeId=root, selector="#controls")["nodeId"]
    assert len(found) == 3
    assert "hidden" in page.call("DOM.getAttributes", nodeId=controls)["attributes"]
    text = page.call("DOM.getOuterHTML", nodeId=root)["outerHTML"]
    assert "CLIP/C0001.MOV" in text
    assert "<button" not in text
    page.close()


def test_printed_it_holds_every_clip_and_no_controls(page: Page) -> None:
    """The browser's own PDF of the page, read back by pypdf."""
    for width, height in ((8.27, 11.69), (8.5, 11)):
        data = page.call("Page.printToPDF", paperWidth=width, paperHeight=height)["data"]
        reader = PdfReader(io.BytesIO(base64.b64decode(data)))
        text = "".join("".join(each.extract_text().split()) for each in reader.pages)
        assert ONE in text
        assert TWO in text
        assert "Notsafeyet" in text
        assert "Groupby" not in text
        # The columns' headings print although they are buttons on the screen.
        assert "Timecodein,out" in text
        assert "Scene/take" in text


def test_phone_laptop_and_print_each_have_a_picture_that_is_not_empty(page: Page) -> None:
    """What is drawn changes with the size; a blank page would compress to almost nothing."""
    pictures = {page.picture(*size) for size in ((390, 844), (1280, 900), (794, 1123))}
    assert len(pictures) == 3
    assert all(len(picture) > 10_000 for picture in pictures)
