"""Circuits small enough to be solved on paper, and build files that mean the same.

A reference is computed by `mpmath` at 40 digits and rounded once, at the end, so
that it cannot share a rounding error with what it judges.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import mpmath
import numpy as np

import sim
from sim.signals import Signal

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from sim.build import Build
    from sim.solution import Solution

DIGITS = 40

#: From the build file's description: each millimetre of a capacitor's two legs.
LEG_HENRY_PER_MM = 1.2e-9


@dataclass(frozen=True)
class Series:
    """A source, a resistance and an inductance switched onto a discharged capacitor.

    ohm and henry are the supply's own; esr and esl belong to the capacitor, so the
    pads lie between the two halves.
    """

    volt: float
    ohm: float
    henry: float
    farad: float
    esr: float = 0.0
    esl: float = 0.0

    @property
    def natural(self) -> float:
        """Undamped natural frequency, rad/s."""
        return float(1.0 / np.sqrt((self.henry + self.esl) * self.farad))

    @property
    def damping(self) -> float:
        """Damping ratio."""
        return (self.ohm + self.esr) / 2.0 * float(np.sqrt(self.farad / (self.henry + self.esl)))

    def answers(self, times_s: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
        """Current, capacitor voltage and pad voltage at times above 0.

        Textbook step response of a series circuit: with a = R/2L and
        w = sqrt(1/LC - a^2), real or imaginary,
        i = V/(w L) exp(-a t) sin w t, v = V (1 - exp(-a t)(cos w t + a/w sin w t)).
        """
        rows = []
        with mpmath.workdps(DIGITS):
            volt, farad = mpmath.mpf(self.volt), mpmath.mpf(self.farad)
            ohm = mpmath.mpf(self.ohm) + mpmath.mpf(self.esr)
            henry = mpmath.mpf(self.henry) + mpmath.mpf(self.esl)
            decay = ohm / (2 * henry)
            swing = mpmath.sqrt(mpmath.mpc(1 / (henry * farad) - decay**2))
            for time in times_s:
                t = mpmath.mpf(float(time))
                fade = mpmath.exp(-decay * t)
                sine, cosine = mpmath.sin(swing * t), mpmath.cos(swing * t)
                i = (volt / (swing * henry) * fade * sine).real
                v = (volt * (1 - fade * (cosine + decay / swing * sine))).real
                slope = (volt - ohm * i - v) / henry
                pads = v + self.esr * i + self.esl * slope
                rows.append([float(i), float(v), float(pads)])
        table = np.array(rows).T
        return {"amps": table[0], "capacitor": table[1], "pads": table[2]}


def battery(volt: float, ohm: float = 0.0, henry: float = 0.0) -> dict[str, Any]:
    """A pack that is an EMF, a resistance and an inductance."""
    return {
        "id": "pack",
        "kind": "battery",
        "at": [0, 98],
        "values": {
            "cells": 6,
            "open_circuit_voltage": f"{volt!r} V",
            "cell_resistance": "0 Ohm",
            "resistance": f"{ohm!r} Ohm",
            "inductance": f"{henry!r} H",
            "slow_resistance": "0 Ohm",
        },
    }


def can(
    name: str, farad: float, esr: float = 0.0, esl: float = 0.0, leg_mm: float = 0.0
) -> dict[str, Any]:
    """An electrolytic with every value given, so that no default takes part."""
    return {
        "id": name,
        "kind": "electrolytic",
        "at": [0, 27],
        "values": {
            "capacitance": f"{farad!r} F",
            "esr": f"{esr!r} Ohm",
            "esl": f"{esl!r} H",
            "leg_length": f"{leg_mm!r} mm",
        },
    }


def joint(name: str) -> dict[str, Any]:
    """A place where leads meet."""
    return {"id": name, "kind": "joint", "at": [0, 20]}


def lead(name: str, start: str, end: str, **values: str) -> dict[str, Any]:
    """A lead; without values a plain joint."""
    return {"id": name, "from": start, "to": end, **values}


def plug_in(
    folder: Path, parts: list[dict[str, Any]], leads: list[dict[str, Any]], duration_s: float
) -> Build:
    """A build file with one plug-in event, written and read as a user's would be."""
    document = {
        "format": "rippletree-build",
        "version": 1,
        "name": "Reference circuit",
        "parts": parts,
        "leads": leads,
        "events": [{"name": "Plug in", "kind": "plug_in", "duration": f"{duration_s!r} s"}],
    }
    file = folder / "build.json"
    file.write_text(json.dumps(document), encoding="utf-8")
    return sim.load(file)


def series_build(folder: Path, circuit: Series, duration_s: float, leg_mm: float = 0.0) -> Build:
    """The build file of a series circuit: pack, pads, capacitor.

    `leg_mm` moves that part of the capacitor's inductance from its esl to its legs.
    """
    esl = circuit.esl - LEG_HENRY_PER_MM * leg_mm
    return plug_in(
        folder,
        [
            battery(circuit.volt, circuit.ohm, circuit.henry),
            joint("pads"),
            can("bulk", circuit.farad, circuit.esr, max(esl, 0.0), leg_mm),
        ],
        [lead("main", "pack.out", "pads"), lead("on_pads", "bulk", "pads")],
        duration_s,
    )


def volts(solution: Solution, place: str, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Voltage at an address, shape of `times_s`."""
    return solution.sample([Signal("volts", place)], times_s)[0]


def amps(solution: Solution, place: str, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Current at a port, shape of `times_s`."""
    return solution.sample([Signal("amps", place)], times_s)[0]
