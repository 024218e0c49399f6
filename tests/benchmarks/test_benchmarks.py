"""The benchmarks themselves: that they count what they say they count."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gateway.demo.control import demo_site_path
from gateway.demo.faults import KINDS
from gateway.diagnose.sequential import one_sided_arl
from gateway.measure.blocks import Floats
from gateway.measure.measure import Measure
from gateway.plant.sitefile import read_site
from tests.benchmarks import cases as benchmark_cases
from tests.benchmarks import measuredtables, practice, readmetables, tables
from tests.benchmarks.__main__ import main
from tests.benchmarks.cases import NOT_FAULTS, cases
from tests.benchmarks.practice import NAMES, series_of
from tests.benchmarks.recordings import read_recording, robust_sd
from tests.benchmarks.rig import BEGIN, Rig, Sensor, pair
from tests.benchmarks.rivals import ADWIN_DELTAS, Lasting, averaged, tuned
from tests.benchmarks.summarytables import summary
from tests.benchmarks.trials import before

SECONDS = np.arange(600.0)


def sensor(interval_s: float = 1.0) -> Sensor:
    return Sensor(300.0, 1100.0, 0.01, interval_s)


def test_every_kind_of_the_demo_is_tried_in_every_loop() -> None:
    site = read_site(demo_site_path())
    found = cases(site, 60, 3)
    assert {c.kind for c in found}.isdisjoint(NOT_FAULTS)
    assert {c.loop for c in found if c.kind == "zero-shift"} == set(site.loops)
    assert len({c.factor for c in found if c.kind == "zero-shift"}) == 7
    assert found == cases(site, 60, 3)


def test_a_rig_maps_values_exactly_to_pressure() -> None:
    rig = Rig(("a", "b"), (sensor(), sensor()), 0.3, 0.3)
    rows = np.random.default_rng(1).integers(30_000, 110_001, (200, 2)) / 100
    rows[5, 0] = np.nan
    readings = Measure(rig.site()).examine(rig.block(np.arange(200.0), rows))
    np.testing.assert_allclose(readings.pressure, rows, rtol=0, atol=1e-9)
    assert readings.time[0] == BEGIN


def test_a_rig_shows_a_wire_that_broke_as_no_current() -> None:
    """Injected as LRV minus a quarter of the span: 0 mA on 4-20 mA."""
    rig = Rig(("a", "b"), (sensor(), sensor()), 0.3, 0.3)
    readings = Measure(rig.site()).examine(rig.block(np.zeros(1), np.array([[100.0, 700.0]])))
    np.testing.assert_allclose(readings.electrical, [[0.0, 12.0]], atol=1e-9)


def test_accuracy_and_tolerance_are_those_of_the_healthy_pair() -> None:
    """For normal differences: 95 % within 1.96 s, so U = 2 u sqrt 2 = 1.96 s and 2 x 1.96 s."""
    chance = np.random.default_rng(2)
    healthy = 700 + chance.normal(0, 1.0, (200_000, 2))
    rig = pair(("a", "b"), (sensor(), sensor()), healthy)
    s = 2**0.5
    u = rig.accuracy / 3**0.5
    assert 2 * u * 2**0.5 == pytest.approx(1.96 * s, rel=0.01)
    assert rig.tolerance == pytest.approx(2 * 1.96 * s, rel=0.01)


def test_what_was_watched_before_leaves_the_window_out() -> None:
    rig = Rig(("a", "b"), (sensor(), sensor()), 0.3, 0.3)
    time = np.arange(5000.0)
    healthy = np.stack([time, time], axis=1)
    early, seen = before(rig, time, healthy, 2000.0, 1000)
    assert (np.diff(early) > 0).all()
    assert early[-1] == -1
    assert len(early) >= 3 * 3600
    assert not ((seen >= 2000) & (seen < 3000)).any()
    assert seen[-1, 0] == 1999


@pytest.mark.parametrize(
    ("spans", "expected"),
    [
        ([(100, 159)], []),
        ([(100, 161)], [160]),
        ([(100, 300), (310, 400)], [160]),  # the off-delay bridges ten seconds
        ([(100, 300), (365, 500)], [160, 425]),
    ],
)
def test_a_limit_that_lasts(spans: list[tuple[int, int]], expected: list[float]) -> None:
    difference = np.zeros(600)
    for start, stop in spans:
        difference[start:stop] = 7.0
    for cut in (1, 173, 600):
        alarm = Lasting(6.0)
        parts = [slice(k, k + cut) for k in range(0, 600, cut)]
        assert [t for p in parts for t in alarm.examine(SECONDS[p], difference[p])] == expected


def test_a_limit_does_not_chatter_inside_its_deadband() -> None:
    wave = 6.0 + 1.0 * np.sin(SECONDS / 70)
    assert len(Lasting(6.0).examine(SECONDS, wave)) == 1


def test_rivals_are_quiet_on_what_they_are_tuned_on_and_see_a_shift() -> None:
    chance = np.random.default_rng(3)
    healthy = chance.normal(5.0, 1.0, 3600)
    time = np.arange(3600.0)
    for rival in tuned(time, healthy, 200.0):
        assert rival.quiet
        assert rival.make().examine(time, healthy) == []
        alarms = rival.make().examine(time, healthy + np.where(time > 1800, 12.0, 0.0))
        assert alarms, rival.name
        assert alarms[0] > 1800
    assert ADWIN_DELTAS[0] > ADWIN_DELTAS[-1]


def test_means_of_a_minute() -> None:
    x = SECONDS.copy()
    x[60:120] = np.nan
    np.testing.assert_allclose(averaged(SECONDS, x, 60.0)[:3], [29.5, 149.5, 209.5])


def test_three_transducers_are_compared_with_the_median_of_the_others() -> None:
    a, b, c = series_of(np.array([[1.0, 2.0, 9.0]]))
    assert [a[0], b[0], c[0]] == [1 - 5.5, 2 - 5.0, 9 - 1.5]


def result(said: list[list[Any]], **changes: Any) -> dict[str, Any]:
    event = {"fault": "bias", "subjects": ["a"], "start": 100.0, "end": 500.0}
    return {
        "part": "injected", "key": "case", "base": "x", "label": "bias", "size": 6, "pace": 1.0,
        "stretch": 1.0, "watched_s": 600.0, "names": ["a", "b"], "excused": [], "events": [event],
        "said": said, "rivals": {"other": []},
    } | changes  # fmt: skip


def test_scores_of_measured_cases() -> None:
    r = result([
        [-50, "raised", "zero-drift", "a"], [50, "raised", "disagreement", "pair"],
        [90, "cleared", "disagreement", "pair"], [200, "raised", "zero-drift", "b"],
        [200, "raised", "zero-drift", "a"], [5000, "raised", "spikes", "a"],
    ])  # fmt: skip
    (event,) = r["events"]
    assert measuredtables.first(r, event) == (200, "zero-drift", "a")
    assert measuredtables.false(r) == [(50, "disagreement", "pair"), (5000, "spikes", "a")]
    r["excused"] = [4900.0]
    assert measuredtables.false(r) == [(50, "disagreement", "pair")]
    assert measuredtables.right(event, (0, "liquid-in-tube", "a"))
    assert not measuredtables.right(event, (0, "zero-drift", "b"))
    assert not measuredtables.right(event, (0, "frozen", "a"))


def write(file: Path, time: Floats, columns: dict[str, Floats]) -> None:
    with gzip.open(file, "wt") as text:
        text.write(",".join(["t_s", *columns]) + "\n")
        for k, t in enumerate(time.tolist()):
            cells = (f"{c[k]:.2f}" if np.isfinite(c[k]) else "" for c in columns.values())
            text.write(",".join([f"{t:g}", *cells]) + "\n")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A folder of the same form with one pair of invented sensors, one control and one bias."""
    chance = np.random.default_rng(4)
    time = np.arange(9000.0)
    true = 700 + np.sin(time / 900) + chance.normal(0, 0.05, 9000)
    a, b = true + chance.normal(0, 0.05, 9000), true + 0.3 + chance.normal(0, 0.05, 9000)
    (tmp_path / "faultfree").mkdir()
    (tmp_path / "injected").mkdir()
    write(tmp_path / "faultfree" / "one.csv.gz", time, {"pa": a, "pb": b})
    base = {"id": "one", "file": "one.csv.gz", "col_a": "pa", "col_b": "pb", "lrv": 300.0,
            "urv": 1100.0, "lsb_a": 0.01, "lsb_b": 0.01}  # fmt: skip
    (tmp_path / "bases.json").write_text(json.dumps({"bases": [base]}))
    for n, size in enumerate((0.0, 2.0), 1):
        part = slice(3000, 5400)
        wrong = a[part] + np.where(np.arange(2400) >= 1000, size, 0.0)
        name = tmp_path / "injected" / f"case_{n:04d}"
        write(name.with_suffix(".csv.gz"), time[part] - 3000, {"a": wrong, "b": b[part]})
        labels: dict[str, Any] = {
            "fault": "none", "variant": None, "sensor": None, "start_s": None, "severity_k": None,
            "base": "one", "base_t0_s": 3000.0, "n": 2400, "natural_spikes_s": [],
        }  # fmt: skip
        if size:
            labels |= {"fault": "bias", "sensor": "a", "start_s": 1000.0, "severity_k": 12}
        name.with_suffix(".json").write_text(json.dumps(labels))
    return tmp_path


@pytest.mark.slow
def test_measured_part_from_end_to_end(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--only", "measured", "--data", str(data), "--parts", "injected", "--processes", "1",
             "--results", str(tmp_path / "results")]  # fmt: skip
    main(words)
    said = capsys.readouterr().out
    (folder,) = (tmp_path / "results").iterdir()
    lines = (folder / "measured.jsonl").read_text().splitlines()
    assert {json.loads(one)["label"] for one in lines} == {"none", "bias"}
    assert "Injected faults, ours" in said
    (row,) = [one for one in said.splitlines() if one.startswith("bias") and one.endswith("/1")][:1]
    assert row.split()[2] == "1"
    main(words)  # nothing left to do
    assert (folder / "measured.jsonl").read_text().splitlines() == lines


def test_without_a_folder_real_measurements_are_left_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("LOOPWITNESS_DATA", raising=False)
    main(["--only", "measured", "--results", str(tmp_path)])
    assert "left out" in capsys.readouterr().out


@pytest.fixture
def _short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half an hour for the rivals to be tuned on, and a fault that begins soon."""
    monkeypatch.setattr(practice, "TUNING_S", 1800.0)
    monkeypatch.setattr(benchmark_cases, "ONSETS_S", 60.0)


@pytest.mark.slow
@pytest.mark.usefixtures("_short")
def test_plant_part_from_end_to_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A broken wire with a live zero is found by everyone, by us at once and by name."""
    main(["--only", "plant", "--kinds", "open-circuit", "--runs", "1", "--stages", "1",
          "--processes", "1", "--learn-hours", "0.1", "--results", str(tmp_path)])  # fmt: skip
    said = capsys.readouterr().out
    row = next(one for one in said.splitlines() if one.startswith("open-circuit"))
    assert row.split()[1:6] == ["1", "100%", "100%", "100%", "100%"]


@pytest.mark.slow
@pytest.mark.usefixtures("_short")
def test_calm_part_from_end_to_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["--only", "calm", "--loop-years", "0.001", "--part-days", "0.1", "--processes", "1",
          "--copies", "2", "--results", str(tmp_path)])  # fmt: skip
    said = capsys.readouterr().out
    assert "Fault-free running: 0.00 loop-years in 1 parts; seeds 0 to 1" in said


def test_the_best_delay_is_that_of_a_known_shift() -> None:
    """CUSUM k 0.5 h 5, one-sided: 10.34 samples at one deviation (Siegmund, from memory)."""
    assert one_sided_arl(1.0, 0.5, 5.0) == pytest.approx(10.34, abs=0.01)


def test_robust_deviation_of_normal_numbers(tmp_path: Path) -> None:
    x = np.random.default_rng(5).normal(0, 2.0, 100_000)
    x[:50] = 1e9
    x[60] = np.nan
    assert robust_sd(x) == pytest.approx(2.0, rel=0.02)
    write(tmp_path / "r.csv.gz", np.array([0.0, 1, 0.5, 2]), {"x": np.array([1.0, 2, 3, np.nan])})
    assert read_recording(tmp_path / "r.csv.gz").time.tolist() == [0, 1, 2]


def test_a_table_lines_up() -> None:
    text = tables.table(("a", "b", "c."), [("x", "1", "y"), ("long", "22", "z z")])
    assert text.splitlines() == [
        "a      b  c.", "----  --  ---", "x      1  y", "long  22  z z",
    ]  # fmt: skip


def tried(kind: str, fault: str, at: float, **changes: Any) -> dict[str, Any]:
    """A case of dp-401 whose first finding is `fault`, as plantrun.py writes it."""
    found = {
        "at": at, "phase": "raised", "fault": fault, "subject": "dp-401", "transducer": "dp-401",
        "confidence": 0.9, "rivals": [],
    }  # fmt: skip
    return {
        "kind": kind, "subject": "dp-401", "loop": "exhaust-plenum", "factor": 1.0, "stage": 0,
        "expected": KINDS[kind].expected, "findings": [found], "best_s": 60.0, "significance": 4.0,
        "rivals": [["fixed, tuned", 60.0, None]],
    } | changes  # fmt: skip


def test_the_short_table_counts_alike_faults_apart_and_leaves_small_ones_out() -> None:
    results = [
        tried("zero-shift", "liquid-in-tube", 90.0),
        tried("zero-shift", "zero-drift", 90.0),
        tried("zero-shift", "frozen", 120.0),
        tried("zero-shift", "frozen", 120.0, significance=1.0),
    ]
    (row,) = [line for line in summary(results).splitlines() if line.startswith("| Transducer")]
    assert row == (
        "| Transducer | 3 | 100.0 % | 100.0 % | 100.0 % | 33.3 % | 66.7 % | 90 s | 1.5 | 100.0 % "
        "| 60 s | 0.0 % |"
    )


def test_the_readme_holds_the_table_as_the_benchmarks_write_it(tmp_path: Path) -> None:
    said = [[1.0, "raised", "x", "y"], [2.0, "cleared", "x", "y"]]
    calm = [{"days": 10.0, "loops": 3, "said": said, "rivals": dict.fromkeys(NAMES, 2)}]
    made = readmetables.block([tried("frozen", "frozen", 9.0)], calm, [("a", "1")], (0.005, 0.03))
    assert "| Loopwitness | 1 | 12.18 |" in made
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    inside = readme.partition(readmetables.BEGIN)[2].partition(readmetables.END)[0]
    heads = [line for line in made.splitlines() if line.startswith("| faults")]
    assert heads[0] in inside
    copy = tmp_path / "README.md"
    copy.write_text(f"before\n{readmetables.BEGIN}\nold\n{readmetables.END}\nafter\n")
    readmetables.write(copy, made)
    assert copy.read_text() == f"before\n{made}\nafter\n"
    copy.write_text("nothing\n")
    with pytest.raises(ValueError, match="no lines"):
        readmetables.write(copy, made)
