"""A motor with its propeller."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar

from sim.network import Rotor
from sim.parts.kind import Field, Kind, Port, Values

if TYPE_CHECKING:
    from sim.network import Stamp


class Motor(Kind):
    """A brushless motor with its propeller, seen between two of its three phases.

        v = resistance i + inductance di/dt + ke (1 + ripple) w
        inertia dw/dt = ke (1 + ripple) i - drag w |w|
        ke = 60 / (2 pi kv), in V s/rad and at once in N m/A
        ripple = emf_ripple (cos a - 3 / pi) / (1 - cos 30 degrees)

    w is the mechanical speed in rad/s, a the electrical angle from the middle of a commutation's
    sixth of a turn, within 30 degrees: EMF and torque ripple at six times the electrical
    frequency, w poles / 4 pi.

    Sources: ke from kv is arithmetic (a 1800 rpm/V motor has 5.3 mN m/A); inertia and drag
    for a 5-inch propeller are worked out from 4.5 g of mass and from 0.0866 N m at
    25 000 rpm, measured propeller data of the University of Illinois, volume 2. The ripple is that
    of a six-pulse rectifier, in any handbook of power electronics: between two commutations a
    sinusoidal EMF falls to cos 30 degrees of its top, 14 % of its mean from top to bottom.

    Averaged, and where legs have diodes (dead time, no active freewheel, a bench supply), the EMF
    is its mean over a commutation, as a bridge is its duty.

    Left out: the three real phases, the moment in which current goes from one to the next, and
    timing ahead of or behind the middle; friction and iron losses, the propeller in moving air,
    warming of the winding.
    """

    kind = "motor"
    title = "Motor"
    ports = (Port("in"),)
    group = "Motors"
    typical: ClassVar[dict[str, str]] = {
        "kv": "1950 rpm/V",
        "resistance": "60 mOhm",
        "inductance": "18 uH",
        "emf_ripple": "14 %",
    }
    cautions = ("Props off, unless the frame is clamped and guarded.",)
    fields = (
        Field(
            "kv",
            "rpm/V",
            "Speed over voltage without load, in rpm/V",
            required=True,
            low=0.0,
            open_low=True,
            high=1e6,
        ),
        Field(
            "resistance",
            "Ohm",
            "Between two phases, in mOhm; 30 to 80 mOhm is usual for 5 inch",
            0.0,
            low=0.0,
            high=1e3,
            source="not there unless given",
        ),
        Field(
            "inductance",
            "H",
            "Between two phases, in µH; 8 to 30 µH is usual for 5 inch",
            15e-6,
            low=0.0,
            open_low=True,
            high=1.0,
            source="common practice, no source",
        ),
        Field(
            "poles",
            "",
            "Magnet poles, an even number",
            14,
            low=2,
            high=100,
            whole=True,
            source="usual for 5-inch motors",
        ),
        Field(
            "inertia",
            "kg m2",
            "Of rotor and propeller, in g cm2; 75 g cm2 is usual for 5 inch",
            7.5e-6,
            low=0.0,
            open_low=True,
            high=1.0,
            mark="derived",
            source="4.5 g propeller of 5 inch and a 13 mm ring of 15 g",
        ),
        Field(
            "drag",
            "N m s2",
            "Propeller torque over speed squared, in nN m s2; 0: no propeller",
            1.263e-8,
            low=0.0,
            high=1.0,
            mark="derived",
            source="0.0866 N m at 25 000 rpm, 5x4.3 propeller, University of Illinois data vol. 2",
        ),
        Field(
            "emf_ripple",
            "%",
            "From top to bottom of a commutation, in % of the mean EMF; 14 % where phases are "
            "sinusoidal, less where they are flatter",
            0.0,
            low=0.0,
            high=0.5,
            label="EMF ripple",
            source="not there unless given",
        ),
    )

    def stamp(self, values: Values, net: Stamp) -> None:
        """R, L and the rotor in series."""
        plus, minus = net.port("in")
        emf = net.node()
        net.chain(
            plus,
            emf,
            ohm=values.number("resistance"),
            henry=values.number("inductance"),
            names=("resistance", "inductance", ""),
        )
        net.rotor(
            emf,
            minus,
            Rotor(
                owner=values.owner,
                ke=60.0 / (math.tau * values.number("kv")),
                inertia=values.number("inertia"),
                drag=values.number("drag"),
                poles=round(values.number("poles")),
                emf_ripple=values.number("emf_ripple"),
            ),
        )

    def size_mm(self, values: Values) -> tuple[float, float]:
        """The bell, by the inertia: 28 mm for 5 inch."""
        bell = 28.0 * (values.number("inertia") / 7.5e-6) ** 0.2
        return (bell, bell)

    def summary(self, values: Values) -> str:
        """Its kv."""
        return f"{values.number('kv'):.0f} rpm/V"

    def check(self, values: Values) -> list[str]:
        """Combinations no motor has."""
        found = []
        if round(values.number("poles")) % 2:
            found.append("Magnet poles come in pairs: give an even number.")
        return found
