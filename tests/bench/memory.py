"""What the window and all its processes hold, measured; not a test.

    python tests/bench/memory.py [width height]

Prints the most that was held while the sample's options were compared, and while a
capacitor's slider was dragged, and what is held at rest after each. A page that several
of these processes share counts once; one that another program shares counts in part, so
run nothing else beside that maps the same libraries. Linux only.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(REPO))

_EVERY_S, _DRAG_S, _REST_S = 0.03, 8.0, 3.0


def window(width: int, height: int) -> None:
    """Show the sample, compare, drag; a line is printed as each begins."""
    from app import main_window

    begun = main_window.begin()
    import gc

    from PySide6.QtCore import QPoint
    from PySide6.QtWidgets import QApplication

    from app.panels.quantity_edit import SLIDER_STEPS
    from app.solver.client import SolverClient
    from app.window import MainWindow

    app = QApplication([])
    app.setStyle("Fusion")
    solver = SolverClient(begun.process, begun.running)
    shown = MainWindow(begun.build, solver=solver, data_folder=Path(tempfile.mkdtemp()))
    shown.curves_ready.connect(gc.freeze)
    shown.resize(width, height)
    bench = shown.workbench

    def until_idle() -> None:
        quiet = time.monotonic()
        while time.monotonic() - quiet < 0.5:
            app.processEvents()
            time.sleep(0.002)
            if bench.stale or solver.busy:
                quiet = time.monotonic()

    def rest() -> None:
        end = time.monotonic() + _REST_S
        while time.monotonic() < end:
            app.processEvents()
            time.sleep(0.002)

    print("comparing", flush=True)
    shown.show()
    until_idle()
    print("at rest", flush=True)
    rest()
    bench.set_option(1)
    until_idle()
    part = next(p for p in bench.shown_build.parts if p.kind in ("electrolytic", "polymer"))
    shown.part_sheet.open(part.id, QPoint(400, 300))
    print("dragging", flush=True)
    slider, begin = shown.part_sheet.slider, time.monotonic()
    slider.setSliderDown(True)
    while (since := time.monotonic() - begin) < _DRAG_S:
        share = since * 0.4 % 2.0
        slider.setSliderPosition(round(SLIDER_STEPS * min(share, 2.0 - share)))
        app.processEvents()
        time.sleep(0.005)
    slider.setSliderDown(False)
    until_idle()
    print("at rest again", flush=True)
    rest()
    bench.undo_stack.setClean()
    shown.close()


def held_mb(pid: int) -> float:
    """Pages of a process in MB, those it shares in part."""
    try:
        told = Path(f"/proc/{pid}/smaps_rollup").read_text()
    except OSError:
        return 0.0
    found = re.search(r"^Pss: +(\d+) kB", told, re.MULTILINE)
    return int(found[1]) / 1024.0 if found else 0.0


def family(pid: int) -> list[int]:
    """A process and all that descend from it."""
    children = defaultdict(list)
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parent = (entry / "stat").read_text().rpartition(")")[2].split()[1]
            except OSError:
                continue
            children[int(parent)].append(int(entry.name))
    found = [pid]
    for one in found:
        found += children[one]
    return found


def main(width: str = "1280", height: str = "720") -> None:
    """Watch a window of that size."""
    watched = subprocess.Popen(
        [sys.executable, "-u", __file__, "--window", width, height],
        stdout=subprocess.PIPE,
        text=True,
    )
    phase, most = ["starting"], defaultdict(list)

    def hear() -> None:
        for line in watched.stdout or ():
            phase.append(line.strip())

    threading.Thread(target=hear, daemon=True).start()
    while watched.poll() is None:
        held = [held_mb(pid) for pid in family(watched.pid)]
        most[phase[-1]] = max(most[phase[-1]], held, key=sum)
        time.sleep(_EVERY_S)
    for name, held in most.items():
        each = " + ".join(f"{one:.0f}" for one in held)
        print(f"{name}: at most {sum(held):.0f} MB (window and others: {each})")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--window"]:
        window(*map(int, sys.argv[2:4]))
    else:
        main(*sys.argv[1:3])
