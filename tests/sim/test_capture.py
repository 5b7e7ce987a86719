"""CSV files as scopes write them: our own inventions in the usual layouts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from sim.capture import parse_capture, read_capture
from sim.errors import DocumentError, SimError

if TYPE_CHECKING:
    from pathlib import Path

TIMES = np.arange(200) * 2e-7 - 4e-6
VOLTS = 16.8 + 3.0 * np.exp(-((TIMES - 5e-6) ** 2) / 1e-11)


def plain() -> str:
    return "time,volts\n" + "".join(f"{t:.8e},{v:.5f}\n" for t, v in zip(TIMES, VOLTS, strict=True))


def units_in_brackets() -> str:
    rows = "".join(f"{t * 1e6:.3f},{v * 1e3:.2f}\n" for t, v in zip(TIMES, VOLTS, strict=True))
    return "Time (us),Channel A [mV]\n" + rows


def unit_line() -> str:
    rows = "".join(f"{t:.9f},{v:.4f},0.10\n" for t, v in zip(TIMES, VOLTS, strict=True))
    return "Source,CH1,CH2\nSecond,Volt,Volt\n" + rows


def decimal_commas() -> str:
    rows = "".join(
        f"{t * 1e3:.6f};{v:.4f}\n".replace(".", ",") for t, v in zip(TIMES, VOLTS, strict=True)
    )
    return "Zeit (ms);Kanal 1 (V)\n" + rows


def settings_beside() -> str:
    head = ["Record Length,200", "Sample Interval,2e-07", "Source,CH1", "Vertical Units,V"]
    rows = []
    for i, (t, v) in enumerate(zip(TIMES, VOLTS, strict=True)):
        left = head[i] if i < len(head) else ","
        rows.append(f"{left},,{t:.9f},{v:.4f},\n")
    return "".join(rows)


def index_with_start_and_step() -> str:
    rows = "".join(f"{i},{v:.5f},,\n" for i, v in enumerate(VOLTS))
    return f"X,CH1,Start,Increment\nSequence,Volt,{TIMES[0]:.8e},2e-07\n" + rows


def no_times_at_all() -> str:
    return "Sample Interval,2e-07\nStart,-4e-06\nCH1 (V)\n" + "".join(f"{v:.5f}\n" for v in VOLTS)


def tabs_and_comments() -> str:
    rows = "".join(f"{t:.8e}\t{v:.5f}\r\n" for t, v in zip(TIMES, VOLTS, strict=True))
    return "# pack lead, invented\r\n# 10x\r\nt (s)\tpads (V)\r\n" + rows


def no_header() -> str:
    return "".join(f"{t:.8e} {v:.5f}\n" for t, v in zip(TIMES, VOLTS, strict=True))


def rounded_times() -> str:
    rows = "".join(f"{t:.6f},{v:.5f}\n" for t, v in zip(TIMES, VOLTS, strict=True))
    return "Time(s),CH1(V)\n" + rows


LAYOUTS = [
    plain, units_in_brackets, unit_line, decimal_commas, settings_beside,
    index_with_start_and_step, no_times_at_all, tabs_and_comments, no_header, rounded_times,
]  # fmt: skip


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda f: f.__name__)
def test_usual_layouts_give_the_same_recording(layout: object) -> None:
    capture = parse_capture(layout().encode())  # type: ignore[operator]
    assert len(capture.times) == 200
    rounding = 1e-6 if layout is rounded_times else 2e-9
    assert capture.times == pytest.approx(TIMES, abs=rounding)
    first = capture.channel(1)
    assert first.unit == "V"
    assert first.values == pytest.approx(VOLTS, abs=2e-4)
    assert not first.clipped


def test_second_channel_names_and_codings(tmp_path: Path) -> None:
    file = tmp_path / "two.csv"
    file.write_bytes(unit_line().encode("utf-16"))
    capture = read_capture(file)
    assert [c.name for c in capture.channels] == ["CH1", "CH2"]
    assert capture.channel("CH2").values[0] == 0.1
    assert capture.step_s == pytest.approx(2e-7)
    latin = units_in_brackets().replace("us", "µs").encode("latin-1")
    assert parse_capture(latin).times[-1] == pytest.approx(TIMES[-1], abs=1e-9)


def test_a_trace_that_left_the_screen_is_known() -> None:
    capped = np.minimum(VOLTS, 18.0)
    rows = "".join(f"{t:.8e},{v:.5f}\n" for t, v in zip(TIMES, capped, strict=True))
    assert parse_capture(("t (s),v\n" + rows).encode()).channel().clipped


@pytest.mark.parametrize(
    ("data", "named"),
    [
        (b"", "empty"),
        (b"hello\nworld\n", "no columns of numbers"),
        (b"time,v\n" + b"".join(b"%d,1\n" % i for i in range(10)), "10 samples"),
        (b"\x00\x01\x02" * 50, "no text"),
        (b"CH1\n" + b"1.5\n" * 50, "time between samples"),
        (b"time (s),v\n" + b"".join(b"%d,1\n" % (i % 7) for i in range(50)), "do not rise"),
        (b"time (s),v\n" + b"".join(b"%d,1\n" % (i + 900 * (i > 40)) for i in range(50)), "gaps"),
    ],
)
def test_what_is_no_recording_is_refused(data: bytes, named: str) -> None:
    with pytest.raises(DocumentError, match=named):
        parse_capture(data, "x.csv")


def test_a_channel_that_is_not_there() -> None:
    with pytest.raises(SimError, match="Channels are 1 channel 1"):
        parse_capture(plain().encode()).channel(3)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match="cannot be read"):
        read_capture(tmp_path / "none.csv")
