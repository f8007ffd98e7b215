"""VERIFY.html as a client opens it: from disk, in a real browser, with no network."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import axe_core_python
import pytest
from browser import Browser, opened_browser

from ingest.evidence import State
from ingest.names import shown
from ingest.report.proof.page import verify_page
from tests.helpers import proofs
from tests.unit.test_proof import HOSTILE, proved

CHROMIUM = shutil.which("chromium")
AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    assert CHROMIUM is not None
    with opened_browser(CHROMIUM, tmp_path_factory.mktemp("profile")) as opened:
        yield opened


@pytest.fixture(params=["usual", "hostile"])
def page_file(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A page on which all is well, and one on which every hostile name is told."""
    facts = proofs.intake()
    if request.param == "hostile":
        facts = proofs.intake(HOSTILE)
        facts = replace(
            facts,
            files=tuple(
                replace(
                    file,
                    copies=tuple(replace(one, state=State.MISMATCH) for one in file.copies),
                )
                for file in facts.files
            ),
        )
    proof = proved(facts, note="</h1><script>document.title='hurt'</script>")
    place = tmp_path / "VERIFY.html"
    place.write_text(verify_page(replace(proof, signer="SHA256:" + "A" * 43)), encoding="utf-8")
    return place


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_nothing_is_asked_for_nothing_runs_and_axe_finds_nothing(
    browser: Browser, page_file: Path, dark: bool
) -> None:
    """One request, for itself; no complaint in the console; axe-core's rules (WCAG 2 A, AA and
    good practice), wide and narrow; nothing wider than a phone."""
    page = browser.open(page_file, dark=dark)
    assert page.requests() == [page_file.as_uri()]
    assert page.complaints() == []
    assert "what was checked, as of" in page.run("document.title")
    page.run(AXE + "; 0")
    for width in (1280, 390):
        page.size(width, 900)
        found = page.run("axe.run(document, { resultTypes: ['violations'] })")
        assert [
            (one["id"], one["impact"], one["nodes"][0]["html"][:200]) for one in found["violations"]
        ] == []
        assert page.run("document.documentElement.scrollWidth <= window.innerWidth")
    page.close()


def test_hostile_names_stand_there_as_text(browser: Browser, tmp_path: Path) -> None:
    """What a person reads is the name, shown; no element comes of it."""
    facts = proofs.intake(HOSTILE)
    bad = tuple(
        replace(file, copies=tuple(replace(one, state=State.SHORT) for one in file.copies))
        for file in facts.files
    )
    place = tmp_path / "VERIFY.html"
    place.write_text(verify_page(proved(replace(facts, files=bad))), encoding="utf-8")
    page = browser.open(place)
    text = page.run("document.body.textContent")
    for name in HOSTILE:
        assert shown(name) in text
    assert page.run("document.querySelectorAll('script, img, iframe').length") == 0
    page.close()
