"""What several unit tests share."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from engine_bench import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    (tmp_path / "card").mkdir()
    with ExitStack() as stack:
        yield Bench(tmp_path, stack)
