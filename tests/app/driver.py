"""A window and a hand that drives it, and a small build to drive it on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QPointF, Qt

from sim.build import Build, loads

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtWidgets import QWidget
    from pytestqt.qtbot import QtBot

    from app.window import MainWindow

# One ESC at the end of a lead, small enough to be solved while a test waits. Its bus has
# only a few µF of ceramics, so a capacitor on the pads must show. Our own invention.
ONE_ESC = b"""{"format": "rippletree-build", "version": 1, "name": "One arm", "frame": "x-5",
 "parts": [
  {"id": "pack", "kind": "battery", "at": [0, 95], "values": {"cells": 4,
    "open_circuit_voltage": "16 V", "cell_resistance": "5 mOhm", "inductance": "60 nH"}},
  {"id": "pads", "kind": "joint", "at": [0, 0], "label": "Pads"},
  {"id": "esc1", "kind": "esc", "at": [60, -60], "label": "ESC 1",
   "values": {"mosfet_rating": "30 V"}},
  {"id": "motor1", "kind": "motor", "at": [95, -95], "values": {"kv": 2400,
    "resistance": "52 mOhm", "inductance": "14 uH", "inertia": "7.5e-6 kg m2",
    "drag": "1.0e-8 N m s2"}},
  {"id": "cer1", "kind": "ceramic", "at": [50, -50],
   "values": {"capacitance": "6 uF", "esr": "3 mOhm"}}],
 "leads": [
  {"id": "main", "from": "pack.out", "to": "pads", "gauge": "14 AWG", "length": "90 mm"},
  {"id": "arm", "from": "pads", "to": "esc1.in", "gauge": "18 AWG", "length": "85 mm"},
  {"id": "phase", "from": "esc1.motor", "to": "motor1.in"},
  {"id": "cer_joint", "from": "cer1", "to": "esc1.in"}],
 "events": [
  {"name": "Chop", "kind": "throttle", "duration": "30 ms",
   "course": [["0 s", 0.6], ["5 ms", 0.6], ["5 ms", 0.2]]},
  {"name": "Plug in", "kind": "plug_in", "duration": "200 us"}],
 "clips": [{"tip": "esc1.in"}, {"tip": "pads"}]}"""

CAPACITOR = {"id": "bulk", "kind": "electrolytic", "at": [10, 8]}
WAIT_MS = 60_000


def with_capacitor() -> Build:
    """The same with 470 µF on the pads, and both ways as options."""
    import json

    tree = json.loads(ONE_ESC)
    values = {"capacitance": "470 uF", "esr": "35 mOhm", "rated_voltage": "35 V"}
    tree["parts"].append({**CAPACITOR, "values": values})
    tree["leads"].append({"id": "on_pads", "from": "bulk", "to": "pads"})
    tree["options"] = [
        {"name": "No capacitor", "changes": [{"remove": "bulk"}]},
        {"name": "One on the pads", "changes": []},
    ]
    return loads(json.dumps(tree).encode())


class Driver:
    """A window and what a test does with it."""

    def __init__(self, qtbot: QtBot, window: MainWindow) -> None:
        self.qtbot = qtbot
        self.window = window
        self.bench = window.workbench

    def until(self, signal: Any, ready: Callable[[], bool]) -> None:
        """Let events pass until `ready`, which `signal` tells about."""
        if not ready():
            with self.qtbot.waitSignal(signal, timeout=WAIT_MS, check_params_cb=lambda *_: ready()):
                pass

    def curves(self) -> None:
        """Wait for the last answer to the present picture, drawn."""
        self.until(self.window.curves_ready, lambda: self.window.scope is not None)
        self.until(self.bench.answer_changed, self._answered)

    def _answered(self) -> bool:
        """Where a bridge chops, averages come first and every edge after them."""
        bench = self.bench
        if bench.stale or bench.answer is None:
            return False
        chops = any(part.kind == "esc" for part in bench.drawn.parts)
        still = not chops or bench.events[bench.event_index].kind == "plug_in"
        return still or bench.answer.detail == "edges"

    def findings(self) -> None:
        self.curves()
        self.until(self.bench.findings_changed, lambda: not self.bench.findings_stale)

    def peak(self, place: str = "esc1.in") -> float:
        """The peak at a place, in V, once the present picture is solved."""
        self.curves()
        assert self.bench.answer is not None
        joint = self.bench.answer.joint(place)
        assert joint is not None
        assert joint.highest is not None
        return joint.highest

    def key(self, key: Any, modifier: Any = Qt.KeyboardModifier.NoModifier) -> None:
        self.qtbot.keyClick(self.window, key, modifier)

    def key_on(
        self, widget: QWidget, key: Any, modifier: Any = Qt.KeyboardModifier.NoModifier
    ) -> None:
        self.qtbot.keyClick(widget, key, modifier)

    def click_frame(self, x_mm: float, y_mm: float) -> None:
        """Move to a place of the frame, press and let go there."""
        view = self.window.frame
        at = view.mapFromScene(QPointF(x_mm, y_mm))
        self.qtbot.mouseMove(view.viewport(), at)
        self.qtbot.mouseClick(view.viewport(), Qt.MouseButton.LeftButton, pos=at)
