"""Start-up and smoothness of the window, measured; not a test.

    python tests/bench/window.py [seconds of dragging]

Prints the time from starting the process to a painted, solved sample, and how
late a 16 ms timer of the window fires while a slider is dragged, with the number
of live answers a second. Run it on a quiet machine.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(REPO))

_START = """
import sys, time
sys.path.insert(0, {repo!r})
began = {began!r}
if __name__ == "__main__":
    from app import main_window
    begun = main_window.begin()
    from PySide6.QtCore import QTimer
    from app import start

    class Watched(start.MainWindow):
        shown = None

        def paintEvent(self, event):
            super().paintEvent(event)
            if self.shown is None:
                self.shown = time.time() - began
                self.watch = QTimer(self, interval=2)
                self.watch.timeout.connect(self.check)
                self.watch.start()

        def check(self):
            strips = self.scope.strips if self.scope else ()
            if strips and strips[0].plot.isVisible() and not self.workbench.stale:
                self.repaint()
                print(self.shown, time.time() - began, flush=True)
                self.watch.stop()
                self.close()

    start.MainWindow = Watched
    start.show(begun, [])
"""


def start_up(tries: int = 5) -> None:
    """Print the median of several starts."""
    shown, solved = [], []
    for _ in range(tries):
        code = _START.format(repo=str(REPO), began=time.time())
        out = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
        )
        first, second = out.stdout.split()
        shown.append(float(first))
        solved.append(float(second))
    print(
        f"start-up: window {statistics.median(shown):.2f} s, painted and solved "
        f"{statistics.median(solved):.2f} s (worst of {tries}: {max(solved):.2f} s)"
    )


def dragging(seconds: float) -> None:
    """Print lateness and live answers while the first capacitor's slider is dragged."""
    from PySide6.QtCore import QPoint, Qt, QTimer
    from PySide6.QtWidgets import QApplication

    from app.panels.quantity_edit import SLIDER_STEPS
    from app.solver.protocol import Answer
    from app.window import MainWindow
    from sim.build import load

    app = QApplication([])
    app.setStyle("Fusion")
    window = MainWindow(load("arms_4s_analogue"), data_folder=Path(tempfile.mkdtemp()))
    window.show()
    window.workbench.set_option(1)
    while window.scope is None or window.workbench.stale:
        app.processEvents()
    shown = window.workbench.shown_build
    part = next(p for p in shown.parts if p.kind in ("electrolytic", "polymer"))
    opened = time.perf_counter()
    window.part_sheet.open(part.id, QPoint(400, 300))
    app.processEvents()
    # painting the sheet is no part of the drag, and is told apart from it
    opening = (time.perf_counter() - opened) * 1e3
    slider = window.part_sheet.slider
    late: list[float] = []
    answers = [0]
    last = [time.perf_counter()]
    begin = last[0]

    def tick() -> None:
        now = time.perf_counter()
        late.append(max(now - last[0] - 0.016, 0.0) * 1e3)
        share = ((now - begin) * 0.4) % 2.0
        slider.setSliderPosition(round(SLIDER_STEPS * (share if share < 1 else 2 - share)))
        if now - begin > seconds:
            app.quit()
        last[0] = time.perf_counter() if now - begin > seconds else now

    def count(message: object) -> None:
        answers[0] += isinstance(message, Answer) and message.live

    window.solver.message.connect(count)
    slider.setSliderDown(True)
    timer = QTimer(interval=16)
    timer.setTimerType(Qt.TimerType.PreciseTimer)
    timer.timeout.connect(tick)
    timer.start()
    app.exec()
    timer.stop()
    slider.setSliderDown(False)
    late.sort()
    print(
        f"opening the part sheet: {opening:.0f} ms; "
        f"dragging {seconds:g} s: timer late by p50 {late[len(late) // 2]:.1f} ms, "
        f"p95 {late[int(0.95 * len(late))]:.1f} ms, p99 {late[int(0.99 * len(late))]:.1f} ms, "
        f"max {late[-1]:.1f} ms; {answers[0] / seconds:.1f} live answers a second"
    )
    window.workbench.undo_stack.setClean()
    window.close()


if __name__ == "__main__":
    start_up()
    dragging(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
