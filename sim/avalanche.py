"""What a MOSFET would have to swallow beyond its rating; an estimate, and said to be one.

The model has no avalanche: a voltage above the rating is unclamped. With the ceramics C
straight at the bridge and the supply V behind its leads, the swing to a peak p holds, where
it crosses the rating r, C ((p - V)^2 - (r - V)^2) / 2 in the leads' current; held at r it
takes r/(r - V) times that with what the supply adds meanwhile. One pulse; the textbook
energy of an unclamped inductive switch, E = L i^2/2 x r/(r - V), from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim import quantity

if TYPE_CHECKING:
    from sim.network import Network


def avalanche_j(farad: float, supply_v: float, peak_v: float, rating_v: float) -> float | None:
    """Energy in J of one pulse; None where the supply itself is above the rating."""
    if supply_v >= rating_v:
        return None
    swing = 0.5 * farad * ((peak_v - supply_v) ** 2 - (rating_v - supply_v) ** 2)
    return swing * rating_v / (rating_v - supply_v)


def note(network: Network, place: str, peak_v: float, rating_v: float) -> str:
    """What to say of a bridge at `place` beyond its rating; nothing below it."""
    if peak_v <= rating_v:
        return ""
    said = "unclamped; would avalanche"
    farad = _straight_at(network, place)
    supply = max((b.value for b in network.branches if b.type == "source"), default=0.0)
    joule = avalanche_j(farad, supply, peak_v, rating_v) if farad > 0.0 else None
    if joule is None:
        return said
    return f"{said}, about {quantity.format(joule * 1e3, '', 2)} mJ a pulse"


#: Inductance in H up to which a capacitor counts as straight at the bridge.
_CLOSE_H = 3e-9


def _straight_at(network: Network, place: str) -> float:
    """Capacitance in F across a place with no more than a few nH between."""
    plus, minus = network.ports[place]
    owners = {
        b.owner
        for b in network.branches
        if minus in (b.a, b.b) or plus in (b.a, b.b)
        if b.type in ("capacitor", "resistor", "inductor")
    }
    total = 0.0
    for owner in owners:
        own = [b for b in network.branches if b.owner == owner]
        nodes = {n for b in own for n in (b.a, b.b)}
        if not {plus, minus} <= nodes or any(b.type in ("bus", "source", "load") for b in own):
            continue
        if sum(b.value for b in own if b.type == "inductor") <= _CLOSE_H:
            total += sum(b.value for b in own if b.type == "capacitor")
    return total
