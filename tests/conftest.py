"""Settings every test runs under."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from hypothesis import HealthCheck, settings

# Before anything imports Qt. A developer may still set a real platform to watch a test.
# The screen is a common one; without that file Qt's own has 800 by 800 pixels.
os.environ.setdefault(
    "QT_QPA_PLATFORM", f"offscreen:configfile={Path(__file__).with_name('screen.json')}"
)

# No deadline: a shared machine stalls now and then, and a slow example is no wrong answer.
settings.register_profile("default", deadline=None)
# A run that gates a change must give the same answer twice.
settings.register_profile(
    "ci",
    deadline=None,
    derandomize=True,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
# --hypothesis-profile=thorough: by hand, before a release of the engine.
settings.register_profile("thorough", deadline=None, max_examples=1000, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "default")

if TYPE_CHECKING:
    import pytest


def pytest_sessionstart(session: pytest.Session) -> None:
    """Compile the kernels once, before the tests and their solver processes all ask for them."""
    if not hasattr(session.config, "workerinput"):
        root = Path(__file__).resolve().parents[1]
        subprocess.run([sys.executable, "-m", "sim.warm"], check=True, cwd=root)
