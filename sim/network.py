"""Primitives and nodes: what a build is made of electrically.

A `Network` holds branches between numbered nodes. A `NetworkMaker` collects
them; each part gets a `Stamp`, a view on the maker that knows the part's name
and its ports. All values are SI. A branch current counts from `a` to `b`
through the branch; a branch voltage is v(a) - v(b).

Exact zeros make nothing up and divide by nothing: a resistor of 0 ohm or an
inductor of 0 H joins its two nodes, a capacitor of 0 F is not there.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from sim.errors import Conflict, WrongPort
from sim.nonlinear import Curve, Fading

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

#: How round averaged runs take the corners of a supply, in V, and what it leaks, in S.
SUPPLY_WIDTH_V, SUPPLY_LEAK_S = 1e-4, 1e-6

BranchType = Literal["source", "capacitor", "resistor", "inductor", "bus", "mid", "rotor", "load"]


@dataclass(frozen=True)
class Branch:
    """One two-terminal primitive.

    Attributes
    ----------
    type : what it is. "bus" and "mid" are the two sides of a chopper leg, "rotor"
        the electrical side of a motor's gyrator
    a, b : nodes
    value : volt, farad, ohm or henry; for "bus", "mid", "rotor" and "load" the index
        into `Network.choppers`, `rotors` or `loads`
    owner : id of the part or lead it belongs to
    name : what it is within its owner ("esr")
    """

    type: BranchType
    a: int
    b: int
    value: float
    owner: str
    name: str


@dataclass(frozen=True)
class Chopper:
    """A half bridge in active freewheel: a lossless transformer of ratio s.

    v(mid) - v(bus minus) = s v(bus), and the bus gives s times the mid current;
    s is 0 or 1 at every edge, the duty when averaged.

    Attributes
    ----------
    owner : id of the ESC
    frequency_hz, offset : nominal carrier, and its relative offset (None: from the seed)
    phase : 0 to 1 of a period (None: from the seed)
    centred : carrier shape; False: high side on from the period's start
    rise_s : time of one edge, above 0
    dead_s : dead time
    diode_v : forward drop of the body diode
    freewheel : active freewheel; False: current stops at zero
    limit_a, brake_limit_a : settled motor current the ESC allows, driving and
        braking (None: no limit)
    slew_per_s : largest change of duty per second (None: no limit)
    """

    owner: str
    frequency_hz: float
    offset: float | None = None
    phase: float | None = None
    centred: bool = False
    rise_s: float = 20e-9
    dead_s: float = 0.0
    diode_v: float = 0.8
    freewheel: bool = True
    limit_a: float | None = None
    brake_limit_a: float | None = None
    slew_per_s: float | None = None


@dataclass(frozen=True)
class Rotor:
    """A rotor on a gyrator: EMF = ke w, torque = ke i - drag w |w|, both with a ripple.

    Attributes
    ----------
    ke : V s/rad, which is also N m/A
    inertia : kg m2, rotor and propeller
    drag : N m s2, torque over speed squared
    poles : magnet poles, for commutation
    emf_ripple : from top to bottom of a commutation, over the mean EMF (see `sim.commutation`)
    """

    owner: str
    ke: float
    inertia: float
    drag: float
    poles: int = 14
    emf_ripple: float = 0.0


@dataclass(frozen=True)
class Load:
    """A load that is no resistor.

    Attributes
    ----------
    mode : "current" or "power"
    value : A or W
    minimum_v : below it the current falls: I v / minimum, or P v / minimum^2
    bandwidth_hz : the current follows its law as a first-order lag of this
        bandwidth; 0 means at once
    draws : False: its current only moves a `Control`; it needs a bandwidth then
    """

    owner: str
    mode: Literal["current", "power"]
    value: float
    minimum_v: float
    bandwidth_hz: float
    draws: bool = True


@dataclass(frozen=True)
class Control:
    """A source whose EMF follows other quantities: value + gains times what they are now.

    Attributes
    ----------
    source : index of the source into `Network.branches`
    load : index into `loads` of a load with a bandwidth, whose current it adds, 1 V per A
    lags : gain and corner in Hz of first-order lags of that load's voltage, which it adds
    """

    owner: str
    source: int
    load: int
    lags: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Supply:
    """A source behind its resistor that holds a current limit, or takes nothing back.

    The resistor is a curve for averaged runs, which end in three straight pieces; runs with
    every edge go from piece to piece (see `sim.diode_patterns`).

    Attributes
    ----------
    source, resistor, capacitor : indices into `Network.branches`; the capacitor stands across
        both, so that its voltage alone says which piece holds
    ohm : of the resistor in its middle piece
    limit_a : most current it gives, may be infinite
    sinks : it takes current back
    """

    owner: str
    source: int
    resistor: int
    capacitor: int
    ohm: float
    limit_a: float
    sinks: bool


@dataclass(frozen=True)
class Knee:
    """A clamp in straight pieces: open below a voltage, from there on a resistance.

    Attributes
    ----------
    source, resistor : indices into `Network.branches` of both, which are in series; the source
        counts against the clamp's current, so that its EMF is -`volts` while that flows
    volts : where it begins to conduct
    """

    owner: str
    source: int
    resistor: int
    volts: float


@dataclass(frozen=True)
class Network:
    """Branches between nodes 0 .. n_nodes-1, and what the nodes are called.

    Attributes
    ----------
    mutuals : (i, j, henry) with i, j indices into `branches`; passive sign: both
        currents counted from `a` to `b`
    ports : address ("esc1.in", "pads") to its plus and minus node
    port_branches : address of a part's port to [(branch index, sign)], whose signed
        sum of currents flows into the part at its plus terminal
    labels : address to the words shown; an address without is a second name ("bulk" for
        "bulk.in") or a lead
    stores : (branch index, law) of capacitors and inductors that fade; the branch's value is
        what they are linearised to
    curves : (branch index, law) of resistors that are curves, likewise
    supplies : whose resistors are among the curves
    knees : clamps in straight pieces; see `in_pieces`
    """

    n_nodes: int
    branches: tuple[Branch, ...]
    mutuals: tuple[tuple[int, int, float], ...]
    choppers: tuple[Chopper, ...]
    rotors: tuple[Rotor, ...]
    loads: tuple[Load, ...]
    ports: dict[str, tuple[int, int]]
    port_branches: dict[str, tuple[tuple[int, float], ...]]
    labels: dict[str, str] = field(default_factory=dict)
    controls: tuple[Control, ...] = ()
    stores: tuple[tuple[int, Fading], ...] = ()
    curves: tuple[tuple[int, Curve], ...] = ()
    supplies: tuple[Supply, ...] = ()
    knees: tuple[Knee, ...] = ()

    @property
    def clamps(self) -> tuple[tuple[int, Curve], ...]:
        """Those of `curves` that are no supply's."""
        whose = {supply.resistor for supply in self.supplies}
        return tuple(one for one in self.curves if one[0] not in whose)

    @property
    def is_linear(self) -> bool:
        """No store fades and no resistor is a curve."""
        return not self.stores and not self.curves

    @property
    def steady(self) -> Hashable:
        """All of it that a state in which nothing moves goes by: no henry, no farad."""
        stores = {"capacitor", "inductor"}
        branches = tuple(
            (b.type, b.a, b.b, 0.0 if b.type in stores else b.value) for b in self.branches
        )
        fading = tuple(index for index, _ in self.stores)
        return (
            branches, self.choppers, self.rotors, self.loads, self.controls, fading, self.curves,
            self.supplies, self.knees,
        )  # fmt: skip

    def linearised(self, values: Mapping[int, float]) -> Network:
        """The network with the values of some branches, by index, replaced."""
        branches = tuple(
            replace(branch, value=values.get(i, branch.value))
            for i, branch in enumerate(self.branches)
        )
        return replace(self, branches=branches)

    def supplies_in_pieces(self) -> Network:
        """The network with the resistors of supplies in their middle piece, those no curves."""
        whose = {supply.resistor: supply.ohm for supply in self.supplies}
        return replace(self.linearised(whose), curves=self.clamps)

    def in_pieces(self) -> Network:
        """The network in straight pieces, no curves any more.

        Resistors of supplies are in their middle piece, clamps conduct, with a source that
        lacks its EMF behind each.
        """
        values = {supply.resistor: supply.ohm for supply in self.supplies}
        sharp = [(index, *law.sharp) for index, law in self.clamps]
        values |= {index: ohm for index, _, ohm in sharp}
        branches, n_nodes = list(self.linearised(values).branches), self.n_nodes
        knees = list(self.knees)
        for index, volts, _ in sharp:
            resistor = branches[index]
            knees.append(Knee(resistor.owner, len(branches), index, volts))
            branches[index] = replace(resistor, b=n_nodes)
            branches.append(Branch("source", resistor.b, n_nodes, 0.0, resistor.owner, "knee"))
            n_nodes += 1
        return replace(
            self, branches=tuple(branches), n_nodes=n_nodes, curves=(), knees=tuple(knees)
        )

    def without_clamps(self) -> Network:
        """The network with clamps that never conduct: their resistors lead nowhere."""
        clamps = dict(self.clamps)
        branches = tuple(
            replace(branch, b=branch.a, value=1.0) if i in clamps else branch
            for i, branch in enumerate(self.branches)
        )
        curves = tuple(one for one in self.curves if one[0] not in clamps)
        return replace(self, branches=branches, curves=curves)


class _Sets:
    """Disjoint sets of nodes, joined as shorts are found."""

    def __init__(self) -> None:
        self.parent: list[int] = []

    def new(self) -> int:
        self.parent.append(len(self.parent))
        return len(self.parent) - 1

    def find(self, node: int) -> int:
        while self.parent[node] != node:
            self.parent[node] = self.parent[self.parent[node]]
            node = self.parent[node]
        return node

    def join(self, a: int, b: int) -> None:
        self.parent[self.find(a)] = self.find(b)


class NetworkMaker:
    """Collects primitives, then `finish` numbers the nodes and drops the shorts."""

    def __init__(self) -> None:
        self._nodes = _Sets()
        self._own: dict[str, _Sets] = {}
        self._shorts: list[tuple[str, int, int]] = []
        self._branches: list[Branch] = []
        self._mutuals: list[tuple[int, int, float]] = []
        self._choppers: list[Chopper] = []
        self._rotors: list[Rotor] = []
        self._loads: list[Load] = []
        self._controls: list[Control] = []
        self._stores: list[tuple[int, Fading]] = []
        self._curves: list[tuple[int, Curve]] = []
        self._supplies: list[Supply] = []
        self._ports: dict[str, tuple[int, int]] = {}
        self._labels: dict[str, str] = {}
        self._joints: set[str] = set()

    def node(self) -> int:
        """A new node."""
        return self._nodes.new()

    def add_port(self, address: str, label: str, *, joint: bool = False) -> tuple[int, int]:
        """A new pair of nodes under an address; a joint carries no part current."""
        if address in self._ports:
            raise Conflict(address, "is there twice", "Give each part its own id")
        pair = (self.node(), self.node())
        self._ports[address] = pair
        self._labels[address] = label
        if joint:
            self._joints.add(address)
        return pair

    def add_alias(self, address: str, pair: tuple[int, int], *, joint: bool = False) -> None:
        """Another address for nodes that are there; it has no label of its own."""
        if address in self._ports:
            raise Conflict(address, "is there twice", "Give each part its own id")
        self._ports[address] = pair
        if joint:
            self._joints.add(address)

    def port(self, address: str) -> tuple[int, int]:
        """Plus and minus node of an address.

        Raises
        ------
        WrongPort   if there is no such part or port
        """
        try:
            return self._ports[address]
        except KeyError:
            raise WrongPort(address, "no such part or port") from None

    def short(self, a: int, b: int, owner: str = "") -> None:
        """Join two nodes; `owner` keeps a part's own shorts apart for its port current."""
        self._shorts.append((owner, a, b))
        self._nodes.join(a, b)

    def branch(
        self, type_: BranchType, a: int, b: int, value: float, owner: str, name: str
    ) -> int | None:
        """Add a branch; returns its index, or None where a zero made a short or nothing."""
        if type_ in ("resistor", "inductor") and value == 0.0:
            self.short(a, b, owner)
            return None
        if type_ == "capacitor" and value == 0.0:
            return None
        self._branches.append(Branch(type_, a, b, value, owner, name))
        return len(self._branches) - 1

    def mutual(self, first: int | None, second: int | None, henry: float) -> None:
        """Couple two inductors; nothing where one of them is a short."""
        if first is not None and second is not None and henry != 0.0:
            self._mutuals.append((first, second, henry))

    def chopper(self, spec: Chopper) -> int:
        """Register a chopper; returns its index for the bus and mid branches."""
        self._choppers.append(spec)
        return len(self._choppers) - 1

    def rotor(self, spec: Rotor) -> int:
        """Register a rotor; returns its index."""
        self._rotors.append(spec)
        return len(self._rotors) - 1

    def load(self, spec: Load) -> int:
        """Register a load; returns its index."""
        self._loads.append(spec)
        return len(self._loads) - 1

    def control(self, spec: Control) -> None:
        """Let a source follow."""
        self._controls.append(spec)

    def fade(self, index: int | None, law: Fading) -> None:
        """Let a capacitor or inductor fade; nothing where a zero left no branch."""
        if index is not None:
            self._stores.append((index, law))

    def curve(self, a: int, b: int, law: Curve, owner: str, name: str) -> int:
        """Add a resistor that is a curve, linearised at 0 V; returns its index."""
        index = self.branch("resistor", a, b, law.ohm(0.0), owner, name)
        assert index is not None
        self._curves.append((index, law))
        return index

    def supply(self, spec: Supply) -> None:
        """Register a supply whose branches are there."""
        self._supplies.append(spec)

    def stamp(self, part_id: str, behind_w: float = 0.0) -> Stamp:
        """The view of one part."""
        return Stamp(self, part_id, behind_w)

    def finish(self) -> Network:
        """Number the joined nodes and give out the network."""
        roots: dict[int, int] = {}
        for node in range(len(self._nodes.parent)):
            roots.setdefault(self._nodes.find(node), len(roots))

        def number(node: int) -> int:
            return roots[self._nodes.find(node)]

        shorts: dict[str, list[tuple[int, int]]] = {}
        for who, a, b in self._shorts:
            shorts.setdefault(who, []).append((a, b))
        owned: dict[str, list[tuple[int, Branch]]] = {}
        for index, branch in enumerate(self._branches):
            owned.setdefault(branch.owner, []).append((index, branch))
        return Network(
            n_nodes=len(roots),
            branches=tuple(
                Branch(b.type, number(b.a), number(b.b), b.value, b.owner, b.name)
                for b in self._branches
            ),
            mutuals=tuple(self._mutuals),
            choppers=tuple(self._choppers),
            rotors=tuple(self._rotors),
            loads=tuple(self._loads),
            ports={k: (number(a), number(b)) for k, (a, b) in self._ports.items()},
            port_branches={
                k: _into(plus, shorts.get(who := k.split(".")[0], []), owned.get(who, []))
                for k, (plus, _minus) in self._ports.items()
                if k not in self._joints
            },
            labels=dict(self._labels),
            controls=tuple(self._controls),
            stores=tuple(self._stores),
            curves=tuple(self._curves),
            supplies=tuple(self._supplies),
        )


def _into(
    plus: int, shorts: list[tuple[int, int]], branches: list[tuple[int, Branch]]
) -> tuple[tuple[int, float], ...]:
    """Branches of a part whose signed currents sum to what enters at its `plus`.

    Only the part's own shorts count as its plus terminal: two parts on one
    joint must not see each other's current.
    """
    terminal = {plus}
    grew = True
    while grew:
        grew = False
        for a, b in shorts:
            if (a in terminal) != (b in terminal):
                terminal |= {a, b}
                grew = True
    found: list[tuple[int, float]] = []
    for index, branch in branches:
        sign = float(branch.a in terminal) - float(branch.b in terminal)
        if sign:
            found.append((index, sign))
    return tuple(found)


class Stamp:
    """What a kind of part uses to add its primitives."""

    def __init__(self, maker: NetworkMaker, part_id: str, behind_w: float = 0.0) -> None:
        self._maker = maker
        self.part_id = part_id
        #: What hangs on the part's `out` draws at its set voltage, in W (regulators).
        self.behind_w = behind_w

    def port(self, name: str) -> tuple[int, int]:
        """Plus and minus node of one of the part's ports."""
        return self._maker.port(f"{self.part_id}.{name}")

    def node(self) -> int:
        """A new node inside the part."""
        return self._maker.node()

    def short(self, a: int, b: int) -> None:
        """Join two nodes inside the part."""
        self._maker.short(a, b, self.part_id)

    def resistor(self, a: int, b: int, ohm: float, name: str) -> int | None:
        """A resistor; 0 ohm joins the nodes."""
        return self._maker.branch("resistor", a, b, ohm, self.part_id, name)

    def inductor(
        self, a: int, b: int, henry: float, name: str, *, saturation_a: float | None = None
    ) -> int | None:
        """An inductor; 0 H joins the nodes. Returns a handle for `mutual`.

        With a saturation current it saturates softly, see `sim.nonlinear`.
        """
        index = self._maker.branch("inductor", a, b, henry, self.part_id, name)
        if saturation_a is not None and henry:
            self._maker.fade(index, Fading.saturating(henry, saturation_a))
        return index

    def mutual(self, first: int | None, second: int | None, henry: float) -> None:
        """Couple two inductors of this part."""
        self._maker.mutual(first, second, henry)

    def capacitor(
        self, a: int, b: int, farad: float, name: str, *, half_v: float | None = None
    ) -> int | None:
        """A capacitor; 0 F is left out. Half of it is left at `half_v`, see `sim.nonlinear`."""
        index = self._maker.branch("capacitor", a, b, farad, self.part_id, name)
        if half_v is not None and farad:
            self._maker.fade(index, Fading(farad, half_v))
        return index

    def curve(self, a: int, b: int, law: Curve, name: str) -> None:
        """A resistor whose current from `a` to `b` is a curve of its voltage."""
        self._maker.curve(a, b, law, self.part_id, name)

    def supply(
        self, a: int, b: int, volt: float, ohm: float, farad: float, limit_a: float, *, sinks: bool
    ) -> None:
        """A source behind a resistance that limits, across a capacitor; plus at `a`."""
        emf = self.node()
        source = self.source(emf, b, volt, "set voltage")
        if sinks:
            law = Curve.limited(ohm, limit_a, SUPPLY_WIDTH_V, SUPPLY_LEAK_S)
        else:
            law = Curve.limiter(ohm, limit_a, SUPPLY_WIDTH_V, SUPPLY_LEAK_S)
        resistor = self._maker.curve(emf, a, law, self.part_id, "output stage")
        capacitor = self.capacitor(a, b, farad, "output capacitance")
        assert source is not None
        assert capacitor is not None
        self._maker.supply(Supply(self.part_id, source, resistor, capacitor, ohm, limit_a, sinks))

    def source(self, a: int, b: int, volt: float, name: str) -> int | None:
        """An ideal EMF, plus at `a`."""
        return self._maker.branch("source", a, b, volt, self.part_id, name)

    def chain(
        self,
        a: int,
        b: int,
        *,
        ohm: float = 0.0,
        henry: float = 0.0,
        farad: float | None = None,
        half_v: float | None = None,
        saturation_a: float | None = None,
        names: tuple[str, str, str] = ("esr", "esl", "capacitance"),
    ) -> None:
        """R, L and, if given, C in series from `a` to `b`; zeros of R and L vanish.

        `half_v` and `saturation_a` as in `capacitor` and `inductor`.
        """
        if farad is not None and farad == 0.0:
            return
        after_r = self.node()
        self.resistor(a, after_r, ohm, names[0])
        if farad is None:
            self.inductor(after_r, b, henry, names[1], saturation_a=saturation_a)
            return
        after_l = self.node()
        self.inductor(after_r, after_l, henry, names[1], saturation_a=saturation_a)
        self.capacitor(after_l, b, farad, names[2], half_v=half_v)

    def chopper(self, plus: int, minus: int, mid: int, spec: Chopper) -> None:
        """A half bridge between `plus` and `minus` whose output is `mid`."""
        index = float(self._maker.chopper(spec))
        self._maker.branch("bus", plus, minus, index, self.part_id, "bridge")
        self._maker.branch("mid", mid, minus, index, self.part_id, "bridge output")

    def rotor(self, a: int, b: int, spec: Rotor) -> None:
        """The back-EMF of a motor, plus at `a`."""
        index = float(self._maker.rotor(spec))
        self._maker.branch("rotor", a, b, index, self.part_id, "back-EMF")

    def load(self, a: int, b: int, spec: Load) -> int:
        """A current or power load drawing from `a` to `b`; its index, for `follow`."""
        index = self._maker.load(spec)
        self._maker.branch("load", a, b, float(index), self.part_id, "load")
        return index

    def follow(
        self, source: int | None, load: int, lags: Sequence[tuple[float, float]] = ()
    ) -> None:
        """Let a source's EMF follow a load and what it stands across (see `Control`)."""
        assert source is not None
        self._maker.control(Control(self.part_id, source, load, tuple(lags)))
