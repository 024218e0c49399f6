"""What cannot be seen: said where it is so, and only there; the detectors themselves are asked."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.demo.control import demo_site_path
from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.deadinput import DeadInput
from gateway.diagnose.hiding import RULES
from gateway.diagnose.polarity import Polarity
from gateway.diagnose.span import Range
from gateway.diagnose.visibility import LOOP_RULES, Hidden, hidden, loop_hidden
from gateway.diagnose.wire import Bands
from gateway.measure.measure import Measure
from gateway.plant.signals import SIGNALS
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site
from tests.diagnose.watched import air, polled, told, watched
from tests.sites import MA_CARD, V_CARD, block, site, transducer

NOW = 1_780_000_000.0
TEXT_AT_MOST = 200
ELECTRICAL = (
    "open-circuit", "short-circuit", "device-failure-signal", "signal-undefined-band",
    "reversed-polarity", "under-range", "over-range",
)  # fmt: skip


def alone(**changes: Any) -> Site:
    """One transducer that no loop uses."""
    return site({"p1": transducer("a.c1", **changes)}, {})


def pair(combine: str = "average", loop: dict[str, Any] | None = None, **changes: Any) -> Site:
    nouns = {f"p{k}": transducer(f"a.c{k}", **changes) for k in (1, 2)}
    return site(nouns, {"stair": {"transducers": ["p1", "p2"], "combine": combine} | (loop or {})})


def of(here: Site, key: str = "p1") -> dict[str, Hidden]:
    return {h.fault: h for h in hidden(here, NOW)[key]}


def of_loop(here: Site, key: str = "stair") -> dict[str, Hidden]:
    return {h.fault: h for h in loop_hidden(here)[key]}


def extents(found: dict[str, Hidden]) -> dict[str, str]:
    return {fault: h.extent for fault, h in found.items()}


# Signatures and what can be told electrically: worked out from the signal ranges, as in the
# project's table of faults. NAMUR NE 43 (2003) limits from secondary texts.
def test_an_open_wire_on_a_signal_without_live_zero() -> None:
    volts: dict[str, Any] = {"signal": "0-10 V", "input": V_CARD, "range": [0, 100]}
    single = of(alone(**volts))["open-circuit"]
    assert single.extent == "never"
    assert "believable 0 Pa" in single.why
    assert "no loop uses it" in single.why
    beside = of(pair("minimum", **volts))["open-circuit"]
    assert beside.extent == "partly"
    assert "seen only while the others read more than" in beside.why
    live = {"signal": "2-10 V", "input": V_CARD, "range": [0, 100]}
    assert "open-circuit" not in of(alone(**live))


def test_a_dead_wire_of_both_signs_reads_the_middle_of_the_range() -> None:
    card = {"counts": [-27648, 27648], "electrical": [-10, 10], "unit": "V"}
    found = of(alone(signal="+/-10 V", input=card, range=[-50, 150]))
    assert "believable 50 Pa" in found["open-circuit"].why
    assert found["reversed-polarity"].extent == "never"
    assert found["live-zero-mismatch"].extent == "absent"


def test_a_low_pressure_loop_may_never_doubt_a_dead_wire() -> None:
    # 500 Pa of span at 1 % and half a per cent: u = 3.2 Pa; the peers would have to read 36 Pa,
    # which a loop between 10 and 20 Pa never does.
    volts: dict[str, Any] = {"signal": "0-10 V", "input": V_CARD, "range": [0, 500]}
    low = pair("minimum", {"limits": {"low": 10, "high": 20}}, **volts)
    assert extents(of(low))["open-circuit"] == "never"
    assert "beyond the loop's limits" in of(low)["tube-off"].why
    high = pair("minimum", {"limits": {"low": 10, "high": 200}}, **volts)
    assert extents(of(high))["open-circuit"] == "partly"


def test_failing_high_hides_behind_an_input_that_ends_at_100_percent() -> None:
    clamped = MA_CARD | {"counts": [0, 32000], "electrical": [0, 20]}
    found = of(alone(input=clamped))["device-failure-signal"]
    assert found.extent == "partly"
    assert found.why == "failing high begins at 21 mA, the input ends at 20 mA"
    both = of(alone(input=clamped | {"electrical": [4, 20]}))
    assert both["device-failure-signal"].extent == "never"
    assert both["open-circuit"].extent == "never"
    assert "looks like 0 %" in both["open-circuit"].why
    # A 10 V input on 500 ohm cannot show 10.25 to 10.5 V; 250 ohm leaves room.
    volts = {"counts": [0, 27648], "electrical": [0, 10], "unit": "V"}
    assert "device-failure-signal" in of(alone(input=volts | {"shunt_ohm": 500}))
    assert "device-failure-signal" not in of(alone(input=volts | {"shunt_ohm": 250}))
    assert "device-failure-signal" not in of(alone(input=MA_CARD))


def test_0_to_20_milliamps_cannot_fail_low() -> None:
    found = of(alone(signal="0-20 mA", range=[0, 100]))
    assert found["device-failure-signal"].extent == "partly"
    assert "cannot fail low" in found["device-failure-signal"].why
    assert "signal-undefined-band" not in found
    assert found["open-circuit"].extent == "never"


@pytest.mark.parametrize("combine", ["average", "minimum", "maximum", "median", "sum"])
def test_two_inputs_exchanged_change_no_symmetric_combination(combine: str) -> None:
    found = of_loop(watched(loop={"combine": combine}))["combination-mismatch"]
    assert found.extent == "partly"
    assert "two inputs exchanged" in found.why


def test_exchanged_inputs_show_where_the_nameplates_or_the_sign_differ() -> None:
    assert "combination-mismatch" not in of_loop(watched(loop={"combine": "difference"}))
    here = watched()
    other = here.transducers["p2"].model_copy(update={"range": (0.0, 50.0)})
    here = here.model_copy(update={"transducers": {**here.transducers, "p2": other}})
    assert "combination-mismatch" not in of_loop(here)


def test_swapped_ports_need_a_range_of_both_signs() -> None:
    assert of(pair(range=[-100, 100]))["ports-swapped"].extent == "partly"
    assert of(pair(range=[0, 100]))["ports-swapped"].extent == "never"
    assert of(pair(range=[-100, 0]))["ports-swapped"].extent == "never"


def test_a_transducer_without_company_hides_what_only_peers_show() -> None:
    for here in (alone(), pair("sum"), pair("difference")):
        found = extents(of(here))
        for fault in (
            "flat-top", "tube-off", "liquid-in-tube", "tube-restricted", "excess-noise", "spikes",
            "zero-drift", "span-drift",
        ):  # fmt: skip
            assert found[fault] == "never", fault
    # Standing still is told by anything that moves on the same loop, whatever it measures.
    assert "frozen" in of(alone())
    assert "frozen" not in of(pair("difference"))


def test_without_word_of_the_fan_drifts_have_no_witness() -> None:
    dumb = extents(of(pair()))
    assert dumb["span-drift"] == "never"
    assert dumb["zero-drift"] == "partly"
    told = extents(of(watched()))
    assert "span-drift" not in told
    assert "zero-drift" not in told
    three = {f"p{k}": transducer(f"a.c{k}") for k in (1, 2, 3)}
    vote = site(three, {"stair": {"transducers": list(three), "combine": "median"}})
    assert "zero-drift" not in of(vote)


def test_settings_need_the_controllers_own_value() -> None:
    settings = [f for f, e in CATALOGUE.items() if e.group == "setting" and e.kind == "transducer"]
    bare, named = extents(of(pair())), of(watched())
    assert [bare[fault] for fault in settings] == ["never"] * len(settings)
    assert "range-mismatch" not in named
    # -25..100 Pa: 4-20 mA read as 0-20 mA, and per cent, are one line (0.8 x + 20 %).
    assert "per cent of range" in named["live-zero-mismatch"].why
    assert "4-20 mA taken for 0-20 mA" in named["percent-for-value"].why


def test_lookalikes_of_range_and_unit() -> None:
    hundred = of(watched(range=[0, 100]))
    assert hundred["percent-for-value"].extent == "absent"
    assert "live-zero-mismatch" not in hundred
    assert "unit-mismatch" not in hundred
    hectopascal = of(watched({"unit": "hPa"}, range=[-5, 20], unit="hPa"))["unit-mismatch"]
    assert hectopascal.why == "cmH2O for hPa differs by 1.9 % only"


def test_a_loop_without_points_hides_what_they_would_tell() -> None:
    bare = site(loops={"stair": {"transducers": ["p1", "p2"], "combine": "average"}})
    never = {fault for fault, h in of_loop(bare).items() if h.extent == "never"}
    assert never == set(LOOP_RULES) - {"disagreement"}
    full = watched(loop={"limits": {"high": 80}})
    assert set(extents(of_loop(full)).values()) == {"partly"}
    assert of_loop(full)["hunting"].why == "polled every 1 s: a swing faster than 5 s is not seen"


def test_every_transducer_fault_is_seen_or_has_a_rule() -> None:
    """Over-range alone is seen from any reading that the site file's check lets through."""
    of_kind = {k: {f for f, e in CATALOGUE.items() if e.kind == k} for k in ("transducer", "loop")}
    assert set(RULES) == of_kind["transducer"] - {"over-range"}
    assert set(LOOP_RULES) == of_kind["loop"]


CARDS = {
    "mA": [(0, 20), (0, 24), (4, 20), (0, 22), (0, 21), (3, 20.5), (-20, 20), (0, 20.3), (3.9, 25)],
    "V": [(0, 10), (0, 12), (-10, 10), (2, 10), (1, 5), (0, 5), (-0.2, 11), (0.8, 5.2), (-5, 5)],
}


@st.composite
def cards(draw: st.DrawFn) -> dict[str, Any]:
    """A signal on an input that the site file's check allows it on."""
    name = draw(st.sampled_from(sorted(SIGNALS)))
    signal = SIGNALS[name]
    fitting = [c for c in CARDS[signal.unit] if c[0] <= signal.low and c[1] >= signal.high]
    ends = draw(st.sampled_from(fitting))
    card = {
        "counts": [0, draw(st.sampled_from([4095, 32000]))],
        "electrical": ends, "unit": signal.unit, "clamps": draw(st.booleans()),
    }  # fmt: skip
    low, high = sorted(draw(st.lists(st.integers(-200, 300), min_size=2, max_size=2, unique=True)))
    return {"signal": name, "input": card, "range": [low, high]}


@given(cards())
def test_what_the_input_hides_the_detectors_never_say(card: dict[str, Any]) -> None:
    """Every signal that the input can show, from far below to far above, one after the other."""
    here = alone(**card)
    (low, high), (_, top) = card["input"]["electrical"], card["input"]["counts"]
    signal = SIGNALS[card["signal"]]
    width = signal.high - signal.low
    ends = (low, high) if card["input"]["clamps"] else (low - width, high + width)
    marks = [v for v in vars(signal).values() if isinstance(v, float) and np.isfinite(v)]
    sent = np.clip(np.sort([*np.linspace(*ends, 3000), *marks]), *ends)
    counts = np.round((sent - low) / (high - low) * top)
    measure = Measure(here)
    readings = measure.examine(block(here, {"a.c1": counts}))
    t = measure.columns.transducers
    said = {
        c.fault
        for detector in (Bands(t), Polarity(t), Range(t))
        for c in detector.examine(readings)
        if (c.holds & c.known).any()
    }
    found = extents(of(here))
    for fault in ELECTRICAL:
        can_be_seen = found.get(fault, "partly") == "partly"
        assert can_be_seen == (fault in said), (fault, found.get(fault))


@given(st.floats(0.2, 2.0), st.sampled_from([(0, 100), (0, 500), (-100, 0), (-50, 50)]))
def test_how_far_the_peer_must_be_is_as_told(share: float, ends: tuple[int, int]) -> None:
    volts: dict[str, Any] = {"signal": "0-10 V", "input": V_CARD, "range": ends}
    here = pair("minimum", {"place_difference": 2}, **volts)
    why = of(here)["open-circuit"].why
    away = float(why.split("more than ")[1].split()[0])
    if abs(share - 1) < 0.02:  # the number is told with three digits
        return
    # The first reads electrical zero from the start, the second moves about as far as is told.
    level = share * away + np.where(np.arange(40) % 2, 0.001, 0.0) * away
    counts = np.round(27648 * level / (ends[1] - ends[0]))
    measure = Measure(here)
    readings = measure.examine(block(here, {"a.c1": np.zeros(40), "a.c2": counts}, start=NOW))
    found, _short = DeadInput(measure.columns).examine(readings)
    assert found.holds[:, 0].any() == (share > 1)


@pytest.mark.parametrize("key", ["dp-201", "dp-301", "dp-401"])
def test_the_example_site_tells_in_one_line_each(key: str) -> None:
    archive = read_site(demo_site_path())
    order = list(CATALOGUE)
    listed = hidden(archive, NOW)[key]
    assert [h.fault for h in listed] == sorted((h.fault for h in listed), key=order.index)
    for h in (*listed, *(h for hs in loop_hidden(archive).values() for h in hs)):
        assert 0 < len(h.why) <= TEXT_AT_MOST
        assert "nan" not in h.why
        assert "inf" not in h.why


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "combine"),
    [("frozen", "average"), ("tube-off", "average"), ("excess-noise", "average"), ("", "single")],
)
def test_what_only_company_shows_is_said_in_company_and_never_alone(
    fault: str, combine: str
) -> None:
    """An hour well, half an hour ill: alone nothing is said of any of them, and it is so told."""
    ill = slice(3600, 5400)
    well, other = air(5400, seed=1), air(5400, seed=2)
    rng = np.random.default_rng(9)
    sick = {name: well.copy() for name in ("frozen", "tube-off", "excess-noise")}
    sick["frozen"][ill] = well[3600]
    sick["tube-off"][ill] = rng.normal(0, 0.3, 1800)
    sick["excess-noise"][ill] += rng.normal(0, 5, 1800)
    alone = {"transducers": ["p1"], "combine": "single"} if combine == "single" else {}
    here = watched(loop={"feedback": None, **alone})
    for name in [fault] if fault else sick:
        found = [f for f in told(here, polled(here, (sick[name], other))) if f.subject == "p1"]
        if fault:
            assert fault not in of(here) or of(here)[fault].extent == "partly"
            assert [(f.fault, f.phase) for f in found] == [(fault, "raised")]
        else:
            assert of(here)[name].extent == "never"
            assert found == []
