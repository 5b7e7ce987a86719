"""What the headless verbs say to people, as plain text.

The same words and figures as the window's, in columns. Numbers that the chosen
level of detail does not know are shown as a dash.
"""

from __future__ import annotations

import inspect
from typing import TYPE_CHECKING, Any

from sim.quantity import format as quantity_text
from sim.verdict import LOWER, grown

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from sim.build import PresetInfo
    from sim.check import Finding
    from sim.findings import Cell, Findings
    from sim.fit import Fit
    from sim.impedance import Response
    from sim.parts import Field
    from sim.solution import Solution
    from sim.speed import Row
    from sim.verdict import RatingUse

#: Largest residual of the energy over what was moved that counts as none.
ENERGY_CHECK = 1e-6

CAUTION = "Within ratings in this model. Not a promise to fly."
#: Units of fields whose values are shown as they are.
_PLAIN = ("", "text", "flag", "choice")


def presets(found: Sequence[PresetInfo]) -> str:
    """One paragraph a preset."""
    lines = []
    for preset in found:
        lines += [f"{preset.id}", f"    {preset.name}. {preset.story}".rstrip()]
        for title, names in (("options", preset.options), ("events", preset.events)):
            if names:
                numbered = ", ".join(f"{n} {name}" for n, name in enumerate(names, 1))
                lines.append(f"    {title}: {numbered}")
    return _joined(lines)


def solution(solved: Solution, start: float, stop: float, left_out: Sequence[str] = ()) -> str:
    """Joints, parts and limits over a stretch of one run (s), and its energy check."""
    joints, parts = solved.figures(start, stop)
    lines = [
        f"{solved.build}: {solved.event}, {solved.option or 'as drawn'}, {_DETAIL[solved.detail]}",
        *left_out,
        "",
    ]
    if solved.expected_difference is not None:
        lines += [solved.expected_difference.sentence, ""]
    slow = not solved.knows_peaks
    heads = ("slow peak", "slow lowest") if slow else ("peak", "lowest")
    lines += _table(
        ("joint", *heads, "mean", "at the start"),
        [
            (
                joint.label or joint.id,
                _volts(joint.slow_peak_V if slow else joint.peak_V),
                _volts(joint.slow_min_V if slow else joint.min_V),
                _volts(joint.mean_V),
                _volts(joint.start_V),
            )
            for joint in joints
        ],
    )
    lines.append("")
    lines += _table(
        ("part", "slow peak" if slow else "peak", "slow RMS" if slow else "RMS", "loss"),
        [(p.id, _text(p.peak_A, "A"), _text(p.rms_A, "A"), _text(p.loss_J, "J")) for p in parts],
    )
    limits = [
        (part.id, use.name, _against(use), _share(use.used), use.verdict)
        for part in parts
        for use in part.ratings
    ]
    if limits:
        lines += ["", *_table(("part", "limit", "", "used", ""), limits)]
    notes = [(part.id, use.note) for part in parts for use in part.ratings if use.note]
    lines += [f"{part}: {note}" for part, note in notes]
    residual = solved.energy.residual
    passed = "passed" if residual <= ENERGY_CHECK else "FAILED"
    lines += ["", f"energy check: {passed} ({_tiny(residual)} of the energy moved is unexplained)"]
    if not solved.stable:
        lines.append("The starting point is unstable: the figures show how it is left.")
    growth = solved.growth
    if growth is not None and growth.folds > 1.0:
        lines.append(
            f"A swing of {_text(growth.hz, 'Hz')} grows by itself in {growth.part}, "
            f"fastest {_text(growth.at_s, 's')} into the event: it needs damping."
        )
    lines += _caveats(solved.not_covered)
    return _joined(lines)


def findings(found: Findings) -> str:
    """The answer sentence, then one row an option."""
    rows = []
    for card in found.cards:
        worst = card.worst
        if worst is None:
            text = "no limit given" if card.solved else "not solved"
            rows.append((card.option, "-", text, "", ""))
            continue
        rows.append(
            (
                card.option,
                worst.verdict,
                _against(worst),
                f"{worst.label}: {worst.named}",
                worst.event,
            )
        )
    heads = ("option", "", "worst", "of what", "in")
    why = [f"{card.option}: {text}" for card in found.cards for text in card.why]
    table = _table(heads, rows)
    return _joined([found.sentence, "", *table, *([""] if why else []), *why, *_caveats(())])


def response(found: Response) -> str:
    """A curve over frequency at its turns, what rings and whose it is, and the loads' margins."""
    head = f"{found.build}: {found.event}, {found.option or 'as drawn'}"
    what = f"impedance at {found.at}"
    if found.source is not None:
        what = f"from {found.source} to {found.at}"
    unit = "" if found.quantity == "gain_dB" else "Ohm"
    rows = [
        (
            _text(float(found.hz[i]), "Hz"),
            f"{found.values[i]:.1f} dB" if not unit else _text(float(found.values[i]), unit),
            f"{found.phase_deg[i]:.0f}°",
        )
        for i in _turns(found.values)
    ]
    lines = [head, "", *_table(("frequency", what, "phase"), rows)]
    ringing = [
        (
            _text(mode.hz, "Hz"),
            f"damping {mode.damping:.3f}",
            ", ".join(f"{name} {100.0 * share:.0f} %" for name, share in mode.owners[:4]),
        )
        for mode in found.modes
        if mode.damping < 0.5
    ]
    # equal arms ring in several ways at one frequency
    rings = list(dict.fromkeys(ringing))
    if rings:
        lines += ["", *_table(("rings at", "", "energy in"), rings)]
    loads = [
        (
            margin.label,
            f"{margin.margin_db:.0f} dB",
            f"{_text(margin.source_ohm, 'Ohm')} of supply against {_text(margin.load_ohm, 'Ohm')} "
            f"of load at {_text(margin.hz, 'Hz')}",
        )
        for margin in found.margins
    ]
    if loads:
        lines += ["", *_table(("constant-power load", "margin", ""), loads)]
    if not found.stable:
        lines.append("This starting point is unstable: a disturbance grows by itself.")
    return _joined(lines)


def _turns(values: Sequence[float]) -> list[int]:
    """First and last point of a curve, its peaks and dips, and enough of what lies between."""
    last = len(values) - 1
    if last < 24:
        return list(range(last + 1))
    keep = {0, last, *range(0, last, max(last // 12, 1))}
    for i in range(1, last):
        if (values[i] - values[i - 1]) * (values[i + 1] - values[i]) < 0.0:
            keep.add(i)
    return sorted(keep)


def fit(found: Fit) -> str:
    """What a recording says: how far off the model was and is, and the values that fit."""
    course = "point by point" if found.course == "true" else "averaged over carrier periods"
    lines = [
        f"{found.build}: {found.event}, {found.option or 'as drawn'}, at {found.at}",
        f"{found.capture}, {len(found.times)} points compared {course}: "
        f"{_text(found.rms_before, 'V')} off before, {_text(found.rms_after, 'V')} after",
        f"trigger {_text(found.shift_s, 's')} into the event, recording "
        f"{_text(abs(found.offset_v), 'V')} too {'low' if found.offset_v < 0.0 else 'high'}",
        "",
    ]
    if found.fitted:
        rows = [
            (
                item.label,
                _text(item.before, item.unit),
                _text(item.value, item.unit),
                f"{_text(item.low, item.unit)} to {_text(item.high, item.unit)}",
                "that guess was off" if item.off else "",
            )
            for item in found.fitted
        ]
        lines += _table(("value", "was", "fits", "95 % sure of", ""), rows)
    else:
        lines.append("This recording tells none of the values.")
    if found.untold:
        lines += ["", f"not told by it: {', '.join(found.untold)}"]
    lines += [f"note: {note}" for note in found.notes]
    return _joined(lines)


def checked(name: str, found: Sequence[Finding]) -> str:
    """All findings of one build, errors first."""
    if not found:
        return f"{name}: nothing to find fault with\n"
    lines = []
    for finding in sorted(found, key=lambda f: f.level != "error"):
        where = f"{finding.where}: " if finding.where else ""
        hint = f" {finding.hint.rstrip('.')}." if finding.hint else ""
        lines.append(f"{name}: {finding.level}: {where}{finding.what.rstrip('.')}.{hint}")
    return _joined(lines)


def speed(rows: Sequence[Row]) -> str:
    """One block a build: what takes how long, and under it what it is held against."""
    lines = [
        "Kernels were compiled before timing, BLAS has one thread, contenders took turns.",
        "Ratios hold on any machine, times on a quiet one.",
    ]
    for name in dict.fromkeys(row.build for row in rows):
        cells: list[tuple[str, str, str, str]] = []
        for row in rows:
            if row.build != name:
                continue
            cells.append((row.what, _takes(row), "", _off(row)))
            if row.peer is not None and row.peer_seconds is not None and row.ratio is not None:
                other = _lasts(row.peer_seconds)
                cells.append((f"    {row.peer}", other, f"{_ratio(row.ratio)} as long", ""))
        lines += ["", *_table((name, "takes", "", "off by"), cells)]
    return _joined(lines)


def _takes(row: Row) -> str:
    if row.what.startswith("memory"):
        return f"{row.seconds:.3g} MB"
    return _lasts(row.seconds)


def _lasts(seconds: float) -> str:
    return f"{seconds / 3600.0:.1f} h" if seconds >= 1000.0 else _text(seconds, "s")


def _off(row: Row) -> str:
    if row.error is None or row.error_unit is None:
        return ""
    if row.error_unit.startswith("V"):
        return f"{_text(row.error, 'V')}{row.error_unit[1:]}"
    return f"{100.0 * row.error:.6f} % {row.error_unit}"


def _ratio(ratio: float) -> str:
    """Two or three figures of a ratio, thousands apart."""
    if ratio < 10.0:
        return f"{ratio:.2g} times"
    digits = max(len(str(int(ratio))) - 3, 0)
    return f"{round(ratio, -digits):,.0f} times".replace(",", " ")


def default_rows() -> list[dict[str, Any]]:
    """Every kind of part with its values, as plain data."""
    from sim.parts import KINDS

    return [
        {
            "kind": kind.kind,
            "title": kind.title,
            "help": inspect.cleandoc(kind.__doc__ or ""),
            "ports": [port.name for port in kind.ports],
            "values": [_field_row(field) for field in kind.fields],
        }
        for kind in KINDS.values()
    ]


def defaults(kinds: Iterable[dict[str, Any]]) -> str:
    """The same for people: one block a kind, one line a value."""
    lines: list[str] = []
    for kind in kinds:
        lines += [f"{kind['kind']}: {kind['title']}"]
        rows = []
        for value in kind["values"]:
            shown = "must be given" if value["required"] else value["shown"]
            rows.append((f"    {value['name']}", shown, value["help"]))
        lines += [*_table(None, rows), ""]
    return _joined(lines)


def _field_row(field: Field) -> dict[str, Any]:
    shown = "-" if field.default is None else str(field.default)
    if isinstance(field.default, (int, float)) and not isinstance(field.default, bool):
        shown = quantity_text(field.default, field.unit if field.unit not in _PLAIN else "")
    if isinstance(field.default, bool):
        shown = "true" if field.default else "false"
    return {
        "name": field.name,
        "unit": field.unit,
        "required": field.required,
        "default": field.default,
        "shown": shown,
        "mark": field.mark,
        "source": field.source,
        "help": field.help,
    }


_DETAIL = {"averaged": "averaged", "edges": "every edge"}


def _caveats(not_covered: Sequence[str]) -> list[str]:
    lines = [f"not covered: {text}" for text in not_covered]
    return ["", *lines, CAUTION]


def _volts(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f} V"


def _text(value: float, unit: str) -> str:
    return quantity_text(value, unit, digits=3)


def _against(use: Cell | RatingUse) -> str:
    if use.reads == "growth":
        return grown(use.value)
    between = ", needs " if use.reads in LOWER else " of "
    return f"{_text(use.value, use.unit)}{between}{_text(use.limit, use.unit)}"


def _share(used: float) -> str:
    return f"{100.0 * used:.0f} %"


def _tiny(share: float) -> str:
    """A share far below one, in percent: nobody reads 2e-10."""
    if share < 1e-9:
        return "less than 0.000 000 1 %"
    return f"{100.0 * share:.7f} %"


def _table(heads: Sequence[str] | None, rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows in columns two spaces apart, without spaces at the ends of lines."""
    every = [*([heads] if heads else []), *rows]
    if not every:
        return []
    widths = [max(len(row[column]) for row in every) for column in range(len(every[0]))]
    return [
        "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip()
        for row in every
    ]


def _joined(lines: Sequence[str]) -> str:
    return "\n".join(lines).rstrip("\n") + "\n"
