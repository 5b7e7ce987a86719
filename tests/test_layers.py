"""What may be loaded by what, seen from fresh processes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
QT = ("PySide6", "shiboken6", "pyqtgraph", "PyQt6", "PyQt5")
SAMPLE = "arms_4s_analogue"

#: Runs a command line, then tells which packages are loaded.
VERB = """
import json, sys
from app.cli import main
code = main(sys.argv[1:])
print(json.dumps([code, sorted({name.split(".")[0] for name in sys.modules})]), file=sys.stderr)
"""

EVERY_MODULE_OF_SIM = """
import importlib, json, pkgutil, sys
import sim
names = [found.name for found in pkgutil.walk_packages(sim.__path__, "sim.")]
for name in names:
    importlib.import_module(name)
print(json.dumps([len(names), sorted({name.split(".")[0] for name in sys.modules})]))
"""


def fresh(code: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )


def test_no_module_of_sim_loads_qt_or_the_window() -> None:
    count, loaded = json.loads(fresh(EVERY_MODULE_OF_SIM).stdout)
    assert count > 10
    assert "sim" in loaded
    assert not set(loaded) & {"app", *QT}


VERBS = [
    ("presets",),
    ("check", SAMPLE),
    ("check", "--defaults"),
    ("solve", SAMPLE, "--detail", "averaged", "--json", "-"),
    ("solve", SAMPLE, "--detail", "averaged", "--csv", "-"),
    ("compare", SAMPLE, "--event", "Chop", "--detail", "averaged"),
    ("impedance", SAMPLE, "--at", "pads", "--hz", "48k"),
    ("nonsense",),
]


@pytest.mark.parametrize("words", VERBS, ids=" ".join)
def test_no_verb_loads_qt(words: tuple[str, ...]) -> None:
    code, loaded = json.loads(fresh(VERB, *words).stderr.splitlines()[-1])
    assert code == (2 if words == ("nonsense",) else 0)
    assert "app" in loaded
    assert not set(loaded) & set(QT)


def test_presets_loads_nothing_heavy() -> None:
    _, loaded = json.loads(fresh(VERB, "presets").stderr.splitlines()[-1])
    assert not set(loaded) & {"numpy", "scipy", "networkx", "numba"}


def test_presets_answers_at_once() -> None:
    # Half a second is the promise; processor time, as other work may share the machine.
    resource = pytest.importorskip("resource")
    seconds = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        fresh("from app.cli import main; raise SystemExit(main(['presets']))")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        seconds.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert min(seconds) < 0.5


def test_import_contracts() -> None:
    # Tables in pyproject.toml: sim knows no window, kinds of part do not know each other.
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as run; run()"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "2 kept, 0 broken" in done.stdout
