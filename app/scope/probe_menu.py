"""What stands between a clip and the scope: chosen from a menu, by mouse or keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from msgspec.structs import replace
from PySide6.QtGui import QActionGroup
from PySide6.QtWidgets import QInputDialog, QMenu, QWidget

from sim import clips, quantity
from sim.errors import SimError
from sim.probe import probe_of
from sim.records import ProbeSettings

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.solver.protocol import Curve
    from app.workbench import Workbench

#: Ground wires and limits offered; others are typed.
_WIRES = (("spring at the tip", 0), ("50 mm", "50 mm"), ("150 mm", "150 mm"), ("300 mm", "300 mm"))
_LIMITS = (("none", None), ("20 MHz", "20 MHz"), ("1 MHz", "1 MHz"))


def clip_of(bench: Workbench, curve: Curve) -> int | None:
    """Index of the clip that a curve is of; None for a place shown in passing."""
    for index, clip in enumerate(bench.build.clips):
        if (clip.reads, clip.tip, clip.ground) == curve.key and clip.reads in ("volts", "offset"):
            return index
    return None


def says(bench: Workbench, index: int) -> str:
    """The probe of a clip in words, "" for none."""
    try:
        probe = probe_of(bench.build.clips[index])
    except SimError:
        return ""
    return "" if probe is None else probe.says


def set_probe(bench: Workbench, index: int, probe: ProbeSettings | None) -> None:
    """As one step of undo.

    Raises
    ------
    SimError   if a value is not allowed
    """
    text = "Take a probe away" if probe is None else "Set a probe"
    bench.do(text, clips.with_probe(bench.build, index, probe))
    # whoever sets a probe wants to see what it makes of the signal
    bench.set_truth(False)


def menu(bench: Workbench, index: int, parent: QWidget) -> QMenu:
    """Probe, ground wire, limit and coupling of a clip."""
    now = bench.build.clips[index].probe
    out = QMenu(parent)
    out.setAccessibleName("Probe")
    base = now or ProbeSettings()

    def rows(key: str, offered: Any, unit: str) -> list[tuple[str, Callable[[], None], bool]]:
        held = None if now is None else _shown(getattr(now, key), unit)
        return [
            (words, pick(replace(base, **{key: value})), held == _shown(value, unit))
            for words, value in offered
        ]

    def pick(probe: ProbeSettings | None) -> Callable[[], None]:
        return lambda: set_probe(bench, index, probe)

    held = 0 if now is None else now.attenuation
    _choices(
        out,
        [
            ("No probe: the truth", pick(None), now is None),
            ("10x probe", pick(replace(base, attenuation=10)), held == 10),
            ("1x probe", pick(replace(base, attenuation=1)), held == 1),
        ],
    )
    out.addSeparator()
    wires = out.addMenu("Ground wire")
    _choices(wires, rows("ground_wire", _WIRES, "m"))
    wires.addAction("Other…").triggered.connect(
        lambda _=False: _ask(bench, index, parent, "ground_wire", "Length of the ground wire")
    )
    limits = out.addMenu("Bandwidth limit")
    _choices(limits, rows("bandwidth", _LIMITS, "Hz"))
    limits.addAction("Other…").triggered.connect(
        lambda _=False: _ask(bench, index, parent, "bandwidth", "Bandwidth limit of the scope")
    )
    ac = out.addAction("AC coupling")
    ac.setCheckable(True)
    ac.setChecked(base.coupling == "ac")
    other = replace(base, coupling="dc" if base.coupling == "ac" else "ac")
    ac.triggered.connect(lambda _=False: pick(other)())
    out.addSeparator()
    truth = out.addAction("Show the truth (T)")
    truth.setCheckable(True)
    truth.setChecked(bench.truth)
    truth.setEnabled(now is not None)
    truth.triggered.connect(lambda _=False: bench.set_truth(not bench.truth))
    out.addSeparator()
    out.addAction("Scope ground to pack minus only; laptop on battery.").setEnabled(False)
    return out


def _choices(menu: QMenu, rows: list[tuple[str, Callable[[], None], bool]]) -> None:
    group = QActionGroup(menu)
    for words, act, chosen in rows:
        action = menu.addAction(words)
        action.setCheckable(True)
        action.setChecked(chosen)
        action.triggered.connect(lambda _=False, a=act: a())
        group.addAction(action)


def _shown(given: Any, unit: str) -> str:
    if given is None:
        return "none"
    plain = getattr(given, "value", given)
    return quantity.format(quantity.parse(plain, unit), unit, 4)


def _ask(bench: Workbench, index: int, parent: QWidget, key: str, words: str) -> None:
    """A value typed in, asked again with the reason while it is not allowed."""
    base = bench.build.clips[index].probe or ProbeSettings()
    why = ""
    text = "150 mm" if key == "ground_wire" else "20 MHz"
    while True:
        text, given = QInputDialog.getText(parent, "Probe", f"{words}\n{why}".strip(), text=text)
        if not given:
            return
        try:
            set_probe(bench, index, replace(base, **{key: text}))
        except SimError as error:
            why = str(error)
        else:
            return
