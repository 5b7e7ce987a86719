"""Frame time of the canvas while a part is dragged, measured; not a test.

    xvfb-run -a -s '-screen 0 1920x1080x24' python tests/bench/canvas.py [moves]

An octo with 120 parts, and on its distribution board a part with eight leads. Each frame
is one mouse move, what the canvas does about it, and painting what changed. Run it on a
quiet machine; of several runs the least is the machine's, the rest is its neighbours'.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(REPO))

PARTS = 120


def octo() -> object:
    """An octo of our own invention: 8 arms with what hangs on them, and capacitors galore."""
    from msgspec.structs import replace

    from app.wiring import sets
    from app.wiring.frames import FRAMES
    from sim.build import Build, Lead, Part

    def part(id_: str, kind: str, at: tuple[float, float], **values: str) -> Part:
        return Part(id=id_, kind=kind, at=at, values=values)

    frame = FRAMES["octo-8"]
    build = Build(
        name="Octo of 120 parts",
        frame="octo-8",
        parts=(
            part("pads", "joint", (0.0, 0.0)),
            Part(id="pack", kind="battery", at=(0.0, 120.0), deck="top", values={"cells": 6}),
        ),
        leads=(Lead(id="main", from_="pack.out", to="pads", gauge="12 AWG", length="150 mm"),),
    )
    build, _ = sets.put(build, "set:arms", frame, list(range(8)))
    parts, leads = list(build.parts), list(build.leads)
    k = 0
    while len(parts) < PARTS:
        k += 1
        row, column = divmod(k - 1, 12)
        esc = f"esc{k % 8 + 1}"
        at = (-66.0 + 12.0 * column, -60.0 + 12.0 * row if row < 5 else 20.0 + 12.0 * (row - 5))
        values = {"capacitance": "100 uF", "rated_voltage": "35 V", "esr": "60 mOhm"}
        parts.append(Part(id=f"cap{k}", kind="electrolytic", at=at, values=values))
        leads.append(Lead(id=f"at{k}", from_=f"cap{k}", to=f"{esc}.in"))
    return replace(build, parts=tuple(parts), leads=tuple(leads))


def dragging(moves: int) -> None:
    """Print frame times of a drag of the pads, on which eight arm leads and the pack's end."""
    from PySide6.QtCore import QEvent, QPointF, Qt
    from PySide6.QtGui import QMouseEvent
    from PySide6.QtWidgets import QApplication

    from app.look import Look
    from app.wiring import FrameView
    from app.workbench import Workbench

    app = QApplication([])
    app.setStyle("Fusion")
    build = octo()
    bench = Workbench(build)  # type: ignore[arg-type]
    view = FrameView(bench, Look(False))
    view.resize(1920, 1080)
    view.show()
    for _ in range(30):
        app.processEvents()
        time.sleep(0.01)
    viewport = view.viewport()

    def send(kind: QEvent.Type, at: QPointF, held: Qt.MouseButton) -> None:
        button = held if kind != QEvent.Type.MouseMove else Qt.MouseButton.NoButton
        event = QMouseEvent(
            kind, at, QPointF(viewport.mapToGlobal(at.toPoint())), button, held,
            Qt.KeyboardModifier.NoModifier,
        )  # fmt: skip
        app.sendEvent(viewport, event)

    left = Qt.MouseButton.LeftButton
    at = QPointF(view.mapFromScene(view.scene_.parts["pads"].pos()))
    attached = len(view.scene_._attached["pads"])
    send(QEvent.Type.MouseButtonPress, at, left)
    send(QEvent.Type.MouseMove, at + QPointF(6, 6), left)
    app.processEvents()
    frames, busy = [], []
    for k in range(moves):
        step = QPointF(60.0 * ((k % 40) / 40.0), 40.0 * ((k % 25) / 25.0))
        begin, cpu = time.perf_counter(), time.thread_time()
        send(QEvent.Type.MouseMove, at + step, left)
        app.processEvents()
        frames.append((time.perf_counter() - begin) * 1e3)
        busy.append((time.thread_time() - cpu) * 1e3)
        time.sleep(0.002)
    send(QEvent.Type.MouseButtonRelease, at, left)
    frames.sort()
    busy.sort()
    near_worst = int(0.95 * len(frames))
    print(
        f"{len(bench.build.parts)} parts, {len(bench.build.leads)} leads, {attached} on the part "
        f"dragged, {view.width()}x{view.height()}: frame p50 {frames[len(frames) // 2]:.1f} ms, "
        f"p95 {frames[near_worst]:.1f} ms, max {frames[-1]:.1f} ms; "
        f"of the processor p50 {busy[len(busy) // 2]:.1f} ms, p95 {busy[near_worst]:.1f} ms"
    )
    bench.undo_stack.setClean()


if __name__ == "__main__":
    os.environ.setdefault("QT_QPA_PLATFORM", "xcb")
    dragging(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
