"""The intake report as a person opens it: from disk, in a browser, with no network."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import pytest

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

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

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


def opened(page: Path, profile: Path, *options: str) -> tuple[str, list[str]]:
    """The page's elements after its script ran, and what the browser's console said."""
    assert CHROMIUM is not None
    profile.mkdir()
    ran = subprocess.run(
        [
            CHROMIUM,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={profile}",
            "--enable-logging=stderr",
            "--virtual-time-budget=5000",
            *options,
            "--dump-dom",
            page.as_uri(),
        ],
        capture_output=True,
        timeout=120,
        check=True,
    )
    said = ran.stderr.decode("utf-8", "replace").splitlines()
    return ran.stdout.decode("utf-8"), [line for line in said if "CONSOLE" in line]


@pytest.fixture
def page(tmp_path: Path) -> Path:
    out = tmp_path / "report"
    write_report(facts(), str(out))
    return out / "intake-report.html"


def test_opened_from_disk_it_works_and_the_console_is_silent(page: Path, tmp_path: Path) -> None:
    """The controls appear, nothing that a name holds runs, no error is logged."""
    dom, console = opened(page, tmp_path / "profile")
    assert console == []
    assert "<title>Intake report: Salt and Lanterns</title>" in dom
    assert re.search(r'<form class="controls" id="controls">', dom)
    assert dom.count('class="clip"') == 3
    assert "&lt;/script&gt;&lt;script&gt;" in dom


def test_what_was_smuggled_into_the_page_is_refused_by_its_policy(
    page: Path, tmp_path: Path
) -> None:
    """Even a script that got past the escaping would not run; the console says so."""
    text = page.read_text(encoding="utf-8")
    page.write_text(text.replace("</body>", '<script>document.title="hurt"</script></body>'))
    dom, console = opened(page, tmp_path / "profile")
    assert "<title>Intake report: Salt and Lanterns</title>" in dom
    assert console != []


def test_search_order_and_grouping_work(page: Path, tmp_path: Path) -> None:
    """Driven as a person would, from a page around it; without scripts all clips are there."""
    steps = """
      const wait = () => {
        const page = frame.contentDocument, say = {};
        const set = (id, value) => {
          const field = page.getElementById(id);
          field.value = value;
          field.dispatchEvent(new Event("input", { bubbles: true }));
          return Array.from(page.querySelectorAll("tbody tr.clip th bdi, tr.group th bdi"),
            (each) => each.textContent);
        };
        say.start = set("search", "");
        say.longest = set("order", "seconds");
        say.roll = set("group", "roll");
        say.flat = set("group", "");
        say.word = set("search", "C0002");
        say.told = page.getElementById("shown").textContent;
        say.two = set("search", "matched 12a");
        say.nothing = set("search", "no such words");
        set("search", "");
        say.circled = set("rating", "circled");
        set("rating", "");
        say.camera = set("camera", "B");
        out.textContent = JSON.stringify(say);
      };
      frame.addEventListener("load", wait);
    """
    around = page.parent / "around.html"
    around.write_text(
        f'<meta charset="utf-8"><pre id="out"></pre><iframe id="frame"></iframe>'
        f'<script>{steps} frame.src = "{page.name}";</script>',
        encoding="utf-8",
    )
    dom, console = opened(around, tmp_path / "profile", "--allow-file-access-from-files")
    assert console == []
    found = re.search(r'<pre id="out">(.*?)</pre>', dom, re.DOTALL)
    assert found is not None
    say = json.loads(html.unescape(found.group(1)))
    one, two, odd = "A001/C0001", "A001/C0002", f"A001/{HURT}"
    assert say["start"] == ["Scene 9", two, "Scene 12A", one, "No scene yet", odd]
    assert say["longest"] == say["start"]
    assert say["roll"] == ["Roll A001", two, odd, one] or say["roll"] == [
        "Roll A001",
        two,
        one,
        odd,
    ]
    assert say["flat"][0] == two
    assert sorted(say["flat"]) == sorted([one, two, odd])
    assert say["word"] == [two]
    assert say["told"] == "1 clip of 3 shown."
    assert say["two"] == [one]
    assert say["nothing"] == []
    assert say["circled"] == [one]
    assert say["camera"] == [odd]


def test_with_scripts_off_everything_is_there(page: Path, tmp_path: Path) -> None:
    """The controls stay away, the clips and files don't."""
    # A frame with a sandbox that allows no scripts; the page around it reads what is there.
    around = page.parent / "around.html"
    around.write_text(
        '<meta charset="utf-8"><pre id="out"></pre>'
        '<iframe id="frame" sandbox="allow-same-origin"></iframe><script>'
        'frame.addEventListener("load", () => { const page = frame.contentDocument;'
        "out.textContent = JSON.stringify({"
        'hidden: page.getElementById("controls").hidden,'
        'clips: page.querySelectorAll("tr.clip").length,'
        "text: page.body.textContent}); });"
        f'frame.src = "{page.name}";</script>',
        encoding="utf-8",
    )
    dom, _ = opened(around, tmp_path / "profile", "--allow-file-access-from-files")
    found = re.search(r'<pre id="out">(.*?)</pre>', dom, re.DOTALL)
    assert found is not None
    say = json.loads(html.unescape(found.group(1)))
    assert say["hidden"] is True
    assert say["clips"] == 3
    assert "CLIP/C0001.MOV" in say["text"]
