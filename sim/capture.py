"""Recordings of a real oscilloscope, read from CSV.

Makers write CSV each in his own way. What is understood: comma, semicolon, tab or spaces
between columns; decimal points or commas; any number of header lines, or settings in columns
beside the data; a time column in s, ms, us or ns, or none with its start and step among the
settings; one to four channels in V, mV, A or mA.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sim.errors import BadField, DocumentError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

MAX_BYTES = 100_000_000
#: Fewer samples than this are no recording.
FEWEST = 16
_TIME = {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6,
         "μs": 1e-6, "ns": 1e-9, "ps": 1e-12}  # fmt: skip
_LEVEL = {"v": (1.0, "V"), "volt": (1.0, "V"), "volts": (1.0, "V"), "mv": (1e-3, "V"),
          "uv": (1e-6, "V"), "kv": (1e3, "V"), "a": (1.0, "A"), "amp": (1.0, "A"),
          "ampere": (1.0, "A"), "ma": (1e-3, "A")}  # fmt: skip
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_STEP = ("increment", "sample interval", "sampling interval", "sample period", "delta t", "dt",
         "xincr", "x increment", "tinc")  # fmt: skip
_START = ("start", "xzero", "x origin", "start time", "first point")


@dataclass(frozen=True)
class Channel:
    """One recorded signal.

    Attributes
    ----------
    values : (n,) in `unit`, "V" or "A"
    clipped : it sticks at its highest or lowest value, as a trace that leaves the screen does
    """

    name: str
    unit: str
    values: Array
    clipped: bool


@dataclass(frozen=True)
class Capture:
    """A recording.

    Attributes
    ----------
    times : (n,) s, evenly spaced, counted as the scope did (0 is its trigger)
    notes : what was taken for granted when reading
    """

    name: str
    times: Array
    channels: tuple[Channel, ...]
    notes: tuple[str, ...]

    @property
    def step_s(self) -> float:
        """Time between samples."""
        return float(self.times[-1] - self.times[0]) / (len(self.times) - 1)

    def channel(self, which: int | str = 1) -> Channel:
        """A channel by its name, or its number from 1.

        Raises
        ------
        BadField   if there is none
        """
        for channel in self.channels:
            if channel.name == which:
                return channel
        number = int(which) if str(which).isdigit() else 0
        if 1 <= number <= len(self.channels):
            return self.channels[number - 1]
        names = ", ".join(f"{i} {c.name}" for i, c in enumerate(self.channels, 1))
        raise BadField("channel", f"there is no channel {which!r}", f"Channels are {names}")


def read_capture(path: str | Path) -> Capture:
    """Read a scope's CSV.

    Raises
    ------
    DocumentError   if the file cannot be read, or holds no recording
    """
    from pathlib import Path

    file = Path(path)
    try:
        with file.open("rb") as handle:
            data = handle.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise DocumentError(str(path), f"cannot be read: {why}", "Check name and rights") from None
    return parse_capture(data, file.name)


def parse_capture(data: bytes, name: str = "capture") -> Capture:
    """A recording from the bytes of a CSV file.

    Raises
    ------
    DocumentError   if it holds no recording
    """
    if len(data) > MAX_BYTES:
        raise DocumentError(name, "is larger than 100 MB", "Export a shorter stretch")
    text = _text(data)
    if "\0" in text:
        raise DocumentError(name, "is no text", "Export the recording as CSV")
    lines = [line.strip("\r ") for line in text.split("\n")]
    table, comma = _table(lines)
    columns, first = _data_columns(table, comma, name)
    rows = [
        row for row in table[first:] if all(c < len(row) and _NUMBER.match(row[c]) for c in columns)
    ]
    numbers = np.array([[_number(row[c], comma) for c in columns] for row in rows])
    header = table[:first]
    notes: list[str] = []
    bad = ~np.isfinite(numbers).all(axis=1)
    if bad.any():
        numbers = numbers[~bad]
        notes.append(f"{int(bad.sum())} lines without a finite number are left out")
    if len(numbers) < FEWEST:
        raise DocumentError(
            name, f"holds {len(numbers)} samples", f"Give a recording of {FEWEST} or more"
        )
    times, used = _times(table, header, columns, numbers, comma, name, notes)
    kept = [i for i in range(len(columns)) if i != used]
    if not kept:
        raise DocumentError(name, "has a time column and no channel", "Export a channel too")
    if len(kept) > 4:
        notes.append(f"only the first 4 of {len(kept)} channels are taken")
    channels = tuple(
        _channel(header, columns[i], numbers[:, i], k) for k, i in enumerate(kept[:4], 1)
    )
    return Capture(name, times, channels, tuple(notes))


def _text(data: bytes) -> str:
    for coding in (
        ("utf-8-sig", "utf-16") if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig",)
    ):
        try:
            return data.decode(coding)
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1")


def _table(lines: Sequence[str]) -> tuple[list[list[str]], bool]:
    """Cells of all lines that are not empty, and whether numbers have decimal commas."""
    some = [line for line in lines if line]
    sample = some[len(some) // 4 :][:400]

    def common(sign: str) -> int:
        counts = [line.count(sign) for line in sample]
        return min(counts) if counts and max(counts) == min(counts) else 0

    comma = False
    if common(";"):
        split, comma = ";", _has_decimal_commas(sample, ";")
    elif sample and sum("\t" in line for line in sample) > 0.9 * len(sample):
        split, comma = "\t", _has_decimal_commas(sample, "\t")
    elif sample and sum("," in line for line in sample) > 0.9 * len(sample):
        split = ","
    else:
        split = ";" if sample and sum(";" in line for line in sample) > 0.9 * len(sample) else ""
        comma = bool(split) and _has_decimal_commas(sample, split)
    table = []
    for line in some:
        cells = line.split(split) if split else re.split(r"[,;\t]" if "," in line else r"\s+", line)
        table.append([cell.strip().strip('"').strip() for cell in cells])
    return table, comma


def _has_decimal_commas(lines: Sequence[str], split: str) -> bool:
    cells = [cell.strip().strip('"') for line in lines for cell in line.split(split)]
    with_comma = sum(bool(re.match(r"[+-]?\d*,\d+([eE][+-]?\d+)?$", cell)) for cell in cells)
    with_point = sum(bool(re.match(r"[+-]?\d*\.\d+([eE][+-]?\d+)?$", cell)) for cell in cells)
    return with_comma > with_point


def _number(cell: str, comma: bool) -> float:
    try:
        return float(cell.replace(",", ".") if comma else cell)
    except ValueError:
        return math.nan


def _data_columns(table: list[list[str]], comma: bool, name: str) -> tuple[list[int], int]:
    """Columns that hold numbers nearly to the end, and the first line of data."""

    def numeric(cell: str) -> bool:
        return bool(_NUMBER.match(cell)) and (comma or "," not in cell)

    if not table:
        raise DocumentError(name, "is empty", "Export the recording as CSV")
    width = max(len(row) for row in table)
    # the last three quarters are data, whatever stands above
    tail = table[len(table) // 4 :]
    columns = [
        c
        for c in range(min(width, 64))
        if sum(c < len(row) and numeric(row[c]) for row in tail) > 0.9 * len(tail)
    ]
    if not columns:
        raise DocumentError(name, "holds no columns of numbers", "Export the recording as CSV")
    first = len(table)
    for i in range(len(table) - 1, -1, -1):
        row = table[i]
        if all(c < len(row) and numeric(row[c]) for c in columns):
            first = i
        elif i < len(table) // 4:
            break
    return columns, first


def _unit_of(header: Sequence[Sequence[str]], column: int) -> tuple[str, str]:
    """Name and unit of a column, from the nearest header lines."""
    name = unit = ""
    for row in reversed(header[-12:]):
        if column >= len(row) or not row[column] or _NUMBER.match(row[column]):
            continue
        cell = row[column]
        match = re.search(r"[(\[]\s*([^)\]]+?)\s*[)\]]", cell)
        inner = (match[1] if match else cell).strip().lower()
        if not unit and (inner in _TIME or inner in _LEVEL):
            unit = inner
            if match is None:
                continue
        rest = re.sub(r"[(\[].*?[)\]]", "", cell).strip()
        if not name and rest:
            name = rest
    return name, unit


def _times(
    table: list[list[str]],
    header: list[list[str]],
    columns: list[int],
    numbers: Array,
    comma: bool,
    name: str,
    notes: list[str],
) -> tuple[Array, int | None]:
    """Evenly spaced times in s, and which of the data columns they came from."""
    step, start = _setting(table, _STEP, comma), _setting(table, _START, comma)
    for i, column in enumerate(columns[:2]):
        title, unit = _unit_of(header, column)
        word = title.lower()
        index = word in ("x", "sequence", "index", "sample", "point", "no.")
        if index and step and _rises(numbers[:, i]):
            count = np.arange(len(numbers))
            return np.asarray((start or 0.0) + step * count, dtype=float), i
        if unit in _TIME or word.startswith("time") or word in ("t", "x"):
            if unit not in _TIME:
                notes.append("the time column names no unit: taken as seconds")
            return _even(numbers[:, i] * _TIME.get(unit, 1.0), name), i
    if len(columns) > 1 and _rises(numbers[:, 0]):
        notes.append("the first column rises evenly: taken as the time in seconds")
        return _even(numbers[:, 0], name), 0
    if step:
        return np.asarray((start or 0.0) + step * np.arange(len(numbers)), dtype=float), None
    raise DocumentError(
        name,
        "has no column of times and names no time between samples",
        "Export it with its time column",
    )


def _setting(table: list[list[str]], words: Sequence[str], comma: bool) -> float | None:
    """A number that stands beside or under one of the words in the first lines."""
    for i, row in enumerate(table[:40]):
        for c, cell in enumerate(row):
            word = re.sub(r"[(\[].*", "", cell).strip().lower().rstrip(":")
            if word not in words:
                continue
            beside = row[c + 1 : c + 2]
            under = [table[j][c] for j in (i + 1, i + 2) if j < len(table) and c < len(table[j])]
            for found in (*beside, *under):
                if _NUMBER.match(found):
                    unit = re.search(r"[(\[]\s*([^)\]]+)", cell)
                    scale = _TIME.get(unit[1].strip().lower(), 1.0) if unit else 1.0
                    return _number(found, comma) * scale
    return None


def _rises(column: Array) -> bool:
    # (printed times are rounded: some may repeat)
    return bool(column[-1] > column[0] and np.all(np.diff(column) >= 0.0))


def _even(times: Array, name: str) -> Array:
    """Times with an even step: what is printed is often rounded."""
    if not _rises(times):
        raise DocumentError(name, "has times that do not rise", "Export it with its time column")
    even = np.linspace(times[0], times[-1], len(times))
    step = float(even[1] - even[0])
    # (rounding of printed times, not a gap)
    if float(np.max(np.abs(times - even))) > 0.01 * (times[-1] - times[0]) + 2.0 * step:
        raise DocumentError(
            name, "has gaps in its times", "Export one stretch without gaps, evenly sampled"
        )
    return np.asarray(even, dtype=float)


def _channel(header: list[list[str]], column: int, values: Array, number: int) -> Channel:
    name, unit = _unit_of(header, column)
    scale, base = _LEVEL.get(unit, (1.0, "V"))
    scaled = values * scale
    return Channel(name or f"channel {number}", base, scaled, _clipped(scaled))


def _clipped(values: Array) -> bool:
    """Flat at the very top or bottom, left steeply on both sides: no smooth turn does that."""
    swing = float(np.ptp(values))
    if swing == 0.0:
        return False
    levels = np.unique(values)
    # what one step of the recorder's scale is, or a thousandth where it is finer
    fine = max(float(np.min(np.diff(levels))), swing / 1024.0)
    for edge in (levels[0], levels[-1]):
        at = np.concatenate([[0], (values == edge).astype(np.int8), [0]])
        runs = np.flatnonzero(np.diff(at))
        for start, end in zip(runs[::2], runs[1::2], strict=True):
            length = int(end - start)
            away = max(length // 2, 2)
            if not 5 <= length <= len(values) // 5 or start < away or end + away > len(values):
                continue
            drops = np.abs(values[[start - away, end + away - 1]] - edge)
            # a parabola that stays within a step for so long is four steps down by then
            if float(drops.min()) > 10.0 * fine:
                return True
    return False
