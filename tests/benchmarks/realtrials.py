"""Benchmark (b): sensors that really failed, published faults, and changes of the process."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from .recordings import Recording, read_labels, read_recording
from .rig import Rig, Sensor, pair, single
from .trials import Event, Trial

WIND = Sensor(0, 50, 0.001, 600)
MOTE = Sensor(-40, 123, 0.01, 30)
CLASSES = {
    "random": "spikes", "malfunction": "noise", "bias": "bias", "drift": "drift",
    "polydrift": "drift",
}  # fmt: skip


def real_faults(root: Path) -> Iterator[Trial]:
    """Sensors that failed by themselves, and when."""
    folder = root / "real_faults"
    labels = read_labels(folder / "mast_2016.json")["events"]
    mast = read_recording(folder / "mast_2016.csv.gz")
    icing = [e for e in labels if "Spd" in e["sensor"]]
    for height in (80, 60, 40):
        names = (f"Spd{height}mN_mps", f"Spd{height}mS_mps")
        calm = _outside(mast, labels)
        rig = pair(names, (WIND, WIND), mast.values(names)[calm], neighbours=True)
        events = tuple(Event("stuck", names, e["start_s"], e["end_s"]) for e in icing)
        yield _real(f"mast wind {height} m", rig, mast, names, events)
    yield _barometer(mast, labels)
    vane = ("Dir58mS_deg",)
    stuck = next(e for e in labels if e["sensor"] == vane[0])
    events = (Event("stuck", vane, stuck["start_s"], stuck["end_s"]),)
    yield _real("mast vane", single(vane[0], Sensor(0, 360, 0.1, 600)), mast, vane, events)
    station = read_recording(folder / "adc_station.csv.gz")
    out = read_labels(folder / "adc_station.json")["events"][0]
    soil = ("soil_adc_counts",)
    events = (Event("open_loop rail", soil, out["start_s"], out["end_s"]),)
    rig = single(soil[0], Sensor(0, 1023, 1, 120, volts=True))
    yield _real("adc station", rig, station, soil, events)
    for pumps, step in ((2, 1e-4), (4, 1e-3)):
        yield _pipe(root, pumps, step)


def _real(
    key: str, rig: Rig, recording: Recording, names: tuple[str, ...], events: tuple[Event, ...]
) -> Trial:
    label = events[0].fault
    return Trial("real", key, key, rig, recording.time, recording.values(names), events, label)


def _outside(recording: Recording, events: list[dict[str, Any]]) -> np.ndarray[Any, Any]:
    kept = np.ones(len(recording.time), dtype=np.bool_)
    for event in events:
        if "P2m" not in event["sensor"] and "Dir" not in event["sensor"][:3]:
            kept &= (recording.time < event["start_s"]) | (recording.time > event["end_s"])
    return kept


def _barometer(mast: Recording, labels: list[dict[str, Any]]) -> Trial:
    """Against an hourly reanalysis at sea level, brought to the barometer's height."""
    names = ("P2m_hPa", "reanalysis_P_hPa")
    drift, spike = (next(e for e in labels if e["fault"].startswith(f"barometer {w}"))
                    for w in ("drift", "single"))  # fmt: skip
    values = mast.values(names)
    early = mast.time < drift["start_s"]
    values[:, 1] += np.nanmedian(values[early, 0] - values[early, 1])
    sensors = (Sensor(700, 1100, 1, 600), Sensor(700, 1100, 0.01, 3600))
    rig = pair(names, sensors, values[early])
    event = Event("drift", names[:1], drift["start_s"], spike["end_s"])
    return Trial(
        "real", "mast barometer", "mast barometer", rig, mast.time, values, (event,), "drift"
    )


def _pipe(root: Path, pumps: int, step: float) -> Trial:
    name, names = f"pipe_{pumps}pump", ("flow1", "flow2")
    recording = read_recording(root / "faultfree" / f"{name}.csv.gz")
    events = read_labels(root / "real_faults" / f"{name}_flow2.json")["events"]
    whole = Event("spikes", ("flow2",), events[0]["start_s"], float(recording.time[-1]))
    flow = Sensor(0, 6, step, 0.1)
    rig = pair(names, (flow, flow), recording.values(names), 10.0)
    return _real(f"{name} flow", rig, recording, names, (whole,))


def published(root: Path) -> Iterator[Trial]:
    """Faults injected by the authors of a benchmark, beside the clean signal of another mote."""
    motes = {n: read_recording(root / "published_faults" / f"intel_t_{n}.csv.gz")
             for n in ("01", "19", "45")}  # fmt: skip
    for n, other in (("01", "19"), ("19", "45"), ("45", "01")):
        peer = motes[other].columns["clean"]
        clean = motes[n].columns["clean"]
        rig = pair(("a", "b"), (MOTE, MOTE), np.stack([clean, peer], axis=1), neighbours=True)
        for variant in ("clean", *CLASSES, "mixed"):
            column = motes[n].columns[variant]
            wrong = np.flatnonzero(motes[n].columns[f"{variant}_label"])
            time = motes[n].time
            events = tuple(
                Event(CLASSES.get(variant, variant), ("a",), float(time[k[0]]), float(time[k[-1]]))
                for k in [wrong]
                if len(k)
            )
            yield Trial(
                "published", f"intel {n} {variant}", f"intel {n}", rig, time,
                np.stack([column, peer], axis=1), events, variant,
            )  # fmt: skip


def process_events(root: Path) -> Iterator[Trial]:
    """Real changes of the process, and series of one value: no sensor failed in them."""
    folder = root / "process_events"
    for file in sorted(folder.glob("skab_*.csv.gz")):
        recording = read_recording(file)
        for column, sensor in (
            ("pressure_bar", Sensor(-2, 4, 1e-4, 1)),
            ("flow_lpm", Sensor(0, 160, 1e-3, 1)),
            ("temp_fluid_C", Sensor(0, 100, 1e-4, 1)),
        ):
            yield _process(file, recording, single(column, sensor))
    for file in sorted(folder.glob("nab_*.csv.gz")):
        labels = read_labels(Path(str(file).removesuffix(".csv.gz") + ".json"))
        recording = read_recording(file)
        values = recording.columns["value"]
        room = np.ptp(values) or 1.0
        low = float(np.floor(values.min() - room))
        sensor = Sensor(low, low + 4 * float(np.ceil(room)), 1e-4, 300)
        kind = {"artificial:stuck": "stuck", "artificial:spikes": "spikes",
                "artificial:jump": "bias"}.get(labels["kind"])  # fmt: skip
        events = tuple(Event(kind, ("value",), *w) for w in labels["windows_s"] if kind)
        yield _process(file, recording, single("value", sensor), events)
    steam = read_recording(folder / "steam_indoor.csv.gz")
    sensor = Sensor(-40, 123, 0.01, 5)
    calm = steam.columns["event1"] == 0
    healthy = steam.values(("t1_C", "t2_C"))[: int(np.argmin(calm))]
    rig = pair(("t1_C", "t2_C"), (sensor, sensor), healthy, neighbours=True)
    yield _process(folder / "steam_indoor.csv.gz", steam, rig)


def _process(file: Path, recording: Recording, rig: Rig, events: tuple[Event, ...] = ()) -> Trial:
    name = file.name.removesuffix(".csv.gz")
    group = name.partition("_")[0]
    key = f"{name} {' '.join(rig.names)}"
    return Trial("process", key, group, rig, recording.time, recording.values(rig.names), events)
