"""Processor time of a frame of slow motion on the sample, measured; not a test.

    xvfb-run -a -s '-screen 0 1920x1080x24' python tests/bench/slow_motion.py [frames]

A frame is one tick of the player and painting what it changed, on the frame and across the
strips. Of several runs the least is the machine's, the rest is its neighbours'.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(REPO))


def playing(frames: int, size: tuple[int, int], window_s: tuple[float, float]) -> None:
    """Print frame times while a stretch (s) of the sample's first event is played."""
    from PySide6.QtWidgets import QApplication

    from app.window import MainWindow
    from sim.build import load

    app = QApplication.instance() or QApplication([])
    app.setStyle("Fusion")  # type: ignore[attr-defined]
    window = MainWindow(load("arms_4s_analogue"), data_folder=Path(tempfile.mkdtemp()))
    window.resize(*size)
    window.show()
    bench, player = window.workbench, window.slow

    def until(ready: object) -> None:
        while not ready():  # type: ignore[operator]
            app.processEvents()
            time.sleep(0.002)

    until(lambda: window.scope is not None and bench.answer is not None and not bench.stale)
    until(lambda: bench.answer.detail == "edges" and not bench.findings_stale)  # type: ignore[union-attr]
    bench.set_window(window_s)
    until(lambda: bench.answer.window == window_s)  # type: ignore[union-attr]
    asked = time.perf_counter()
    player.toggle()
    until(lambda: bench.moments is not None)
    waited = (time.perf_counter() - asked) * 1e3
    player.pause()
    for _ in range(20):
        app.processEvents()
        time.sleep(0.01)
    assert bench.moments is not None
    walls, busy = [], []
    for k in range(frames):
        begin, cpu = time.perf_counter(), time.thread_time()
        player.seek(window_s[0] + (k / frames) * (window_s[1] - window_s[0]))
        app.processEvents()
        walls.append((time.perf_counter() - begin) * 1e3)
        busy.append((time.thread_time() - cpu) * 1e3)
        time.sleep(0.002)
    ticks: list[float] = []
    player.moved.connect(lambda: ticks.append(time.perf_counter()))
    player.play()
    begin = time.perf_counter()
    while time.perf_counter() - begin < 4.0:
        app.processEvents()
        time.sleep(0.0005)
    player.pause()
    rate = (len(ticks) - 1) / (ticks[-1] - ticks[0])
    walls.sort()
    busy.sort()
    p95 = int(0.95 * len(busy))
    span = window_s[1] - window_s[0]
    print(
        f"{window.width()}x{window.height()}, {span * 1e6:g} µs, {len(bench.moments.t)} instants "
        f"of {len(bench.moments.leads)} leads there after {waited:.0f} ms: frame "
        f"p50 {walls[len(walls) // 2]:.1f} ms, p95 {walls[p95]:.1f} ms; of the processor "
        f"p50 {busy[len(busy) // 2]:.1f} ms, p95 {busy[p95]:.1f} ms, max {busy[-1]:.1f} ms; "
        f"the player moved on {rate:.0f} times a second"
    )
    bench.undo_stack.setClean()
    window.close()


if __name__ == "__main__":
    os.environ.setdefault("QT_QPA_PLATFORM", "xcb")
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    for shown in ((25.0e-3, 25.042e-3), (25e-3, 25.4e-3), (20e-3, 60e-3)):
        playing(count, (1280, 720), shown)
    playing(count, (1920, 1080), (25e-3, 25.4e-3))
