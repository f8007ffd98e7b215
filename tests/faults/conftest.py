"""Makes the laboratory importable: `from laboratory.loops import loop_drive`."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.register_assert_rewrite("laboratory")
sys.path.insert(0, str(Path(__file__).parent))
