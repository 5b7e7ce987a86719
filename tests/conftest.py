"""Settings every test runs under."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

# Before anything imports Qt. A developer may still set a real platform to watch a test.
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

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
settings.load_profile("ci" if os.environ.get("CI") else "default")
