"""Benchmark (b): what is shown to the gateway: injected cases, and fault-free recordings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from gateway.measure.blocks import Floats

from .recordings import Recording, read_labels, read_recording
from .rig import Rig, Sensor, pair, single

LEARN_S = 3 * 3600.0
"""Seconds of the gateway's clock that it has watched before a case, at least."""
LEARN_ROWS, SLOW_ROWS = 12_000, 4000
"""Rows of that at most, and of recordings with more than 10 s between rows."""
SLOW_S = 10.0
PAUSE_S = 3600.0
"""Pause of the gateway's clock where a recording is put together."""

NEIGHBOURS = ("mast80", "intel")
"""Recordings of two sensors in two places."""

RIGHT: dict[str, tuple[str, ...]] = {
    "bias": ("zero-drift", "liquid-in-tube"),
    "drift": ("zero-drift",),
    "gain": ("span-drift",),
    "gain seen as bias": ("span-drift", "zero-drift", "liquid-in-tube"),
    "stuck": ("frozen",),
    "stuck exact": ("frozen",),
    "stuck dither": ("frozen",),
    "noise": ("excess-noise",),
    "spikes": ("spikes",),
    "dropout": ("no-communication", "bad-reply", "intermittent-wiring"),
    "open_loop under_range": ("open-circuit", "device-failure-signal"),
    "open_loop clamped": ("open-circuit", "tube-off", "frozen"),
    "open_loop intermittent": ("intermittent-wiring", "open-circuit"),
    "open_loop rail": ("floating-input", "open-circuit", "short-circuit", "over-range"),
}
"""Catalogue faults that are the right class. A zero that moved at once and water in a tube look
alike electrically; a wire that reads the lower range value for ever is told only by context; the
first break of a loose wire is an open circuit."""


@dataclass(frozen=True)
class Event:
    """A fault, on `subjects`, from `start` to `end` in seconds of the trial."""

    fault: str
    subjects: tuple[str, ...]
    start: float
    end: float


@dataclass(frozen=True)
class Trial:
    """One run. `time` (R,) seconds from 0; what the gateway watched before has times below 0."""

    part: str
    key: str
    base: str
    rig: Rig
    time: Floats
    values: Floats
    """(R, n)."""
    events: tuple[Event, ...] = ()
    label: str = ""
    """Fault and variant, "none" for a control."""
    size: float | None = None
    excused: tuple[float, ...] = ()
    """Moments at which the recording itself has something that may be called a fault."""

    @property
    def pace(self) -> float:
        """Usual seconds between rows."""
        return min(s.interval_s for s in self.rig.sensors)


def base_rig(root: Path, base: dict[str, Any]) -> tuple[Rig, Recording]:
    """The rig of one entry of bases.json, its healthy recording beside it."""
    recording = read_recording(root / "faultfree" / base["file"])
    step = float(np.round(np.median(np.diff(recording.time)), 3))
    sensors = tuple(
        Sensor(base["lrv"], base["urv"], base[f"lsb_{side}"], step) for side in ("a", "b")
    )
    healthy = recording.values((base["col_a"], base["col_b"]))
    stretch = 10.0 if step < 1 else 1.0
    near = base["id"] in NEIGHBOURS
    rig = pair(("a", "b"), (sensors[0], sensors[1]), healthy, stretch, neighbours=near)
    return rig, recording


def injected(root: Path) -> Iterator[Trial]:
    """Every case of the folder `injected`, in order of its number."""
    for base in read_labels(root / "bases.json")["bases"]:
        rig, recording = base_rig(root, base)
        healthy = recording.values((base["col_a"], base["col_b"]))
        for file in sorted((root / "injected").glob("case_*.json")):
            labels = read_labels(file)
            if labels["base"] == base["id"]:
                case = read_recording(file.with_suffix(".csv.gz"))
                yield _case(file.stem, labels, rig, case, (recording.time, healthy))


def _case(
    key: str, labels: dict[str, Any], rig: Rig, case: Recording, whole: tuple[Floats, Floats]
) -> Trial:
    early, seen = before(rig, *whole, labels["base_t0_s"], labels["n"])
    fault = labels["fault"]
    label = " ".join(word for word in (fault, labels["variant"]) if word)
    if labels.get("seen_only_as_bias"):
        label = "gain seen as bias"
    end = float(case.time[-1])
    event = Event(label, (labels["sensor"],), labels["start_s"] or 0.0, end)
    return Trial(
        part="injected", key=key, base=labels["base"], rig=rig,
        time=np.concatenate([early, case.time]),
        values=np.concatenate([seen, case.values(("a", "b"))]),
        events=() if fault == "none" else (event,),
        label=label, size=labels["severity_k"], excused=tuple(labels["natural_spikes_s"]),
    )  # fmt: skip


def before(
    rig: Rig, time: Floats, healthy: Floats, cut_s: float, rows: int
) -> tuple[Floats, Floats]:
    """What a gateway had watched before a window of a recording: all the rest of it.

    The rest after the window first, then the rest before it, up to the window; all of it again
    and again, with pauses, until there are LEARN_S seconds. Times below 0.
    """
    pause = PAUSE_S / rig.stretch
    first = int(np.searchsorted(time, cut_s))
    parts = [slice(0, first), slice(first + rows, None)]
    out_t: list[Floats] = []
    out_v: list[Floats] = []
    end, had = 0.0, 0.0
    for part in [p for _ in range(30) for p in parts]:
        t = time[part]
        if len(t) < 2:
            continue
        last = cut_s if part.start == 0 and not out_t else float(t[-1])
        out_t.insert(0, t - last + end)
        out_v.insert(0, healthy[part])
        end = float(out_t[0][0]) - pause
        had += float(t[-1] - t[0]) * rig.stretch
        if had >= LEARN_S and part.start:
            break
    most = SLOW_ROWS if rig.sensors[0].interval_s > SLOW_S else LEARN_ROWS
    return np.concatenate(out_t)[-most:], np.concatenate(out_v)[-most:]


def fault_free(root: Path) -> Iterator[Trial]:
    """Whole recordings without a known fault, from nothing learnt."""
    for base in read_labels(root / "bases.json")["bases"]:
        rig, recording = base_rig(root, base)
        values = recording.values((base["col_a"], base["col_b"]))
        spikes = _natural(root, base["file"])
        yield Trial(
            "faultfree", base["id"], base["id"], rig, recording.time, values, label="none",
            excused=spikes,
        )  # fmt: skip
    for file, column, sensor in (
        ("borehole_part1", "level_dbar", Sensor(0, 20, 1e-5, 120)),
        ("borehole_part1", "baro_dbar", Sensor(8, 12, 1e-5, 120)),
        ("skab_anomaly_free", "pressure_bar", Sensor(-2, 4, 1e-4, 1)),
        ("skab_anomaly_free", "flow_lpm", Sensor(0, 160, 1e-3, 1)),
        ("skab_anomaly_free", "temp_fluid_C", Sensor(0, 100, 1e-4, 1)),
    ):
        recording = read_recording(root / "faultfree" / f"{file}.csv.gz")
        yield Trial(
            "faultfree", f"{file} {column}", file, single(column, sensor), recording.time,
            recording.values((column,)), label="none",
        )  # fmt: skip


def _natural(root: Path, file: str) -> tuple[float, ...]:
    """Times at which the pipe rig's recording itself jumps; none for others."""
    labels = root / "real_faults" / file.replace(".csv.gz", "_flow2.json")
    if not labels.exists():
        return ()
    return tuple(event["start_s"] for event in read_labels(labels)["events"])
