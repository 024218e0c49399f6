"""The whole demo plant, stepped through time: no clock, no socket, the same for the same seed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from gateway.errors import StartError
from gateway.plant.site import Site
from gateway.plant.units import PASCALS, from_pa

from .archive import blueprint
from .building import Weather
from .drive import Drive, Input
from .faults import KINDS, Fault, checked
from .sensor import Device, Tube
from .spaces import Space
from .wiring import Card, Wire

MAX_STEP_S = 0.5
WARM_S = 240.0
"""Run before the beginning, so that a plant starts settled."""

Reading = Callable[[], float]


class Channel:
    """One transducer from its tappings to its counts."""

    def __init__(self, site: Site, key: str, seed: int, time: float, start_pa: float) -> None:
        noun = site.transducers[key]
        self.tube = Tube(seed, key, start_pa, noun.unit)
        self.device = Device(seed, key, noun, time, start_pa)
        self.wire = Wire(seed, key, noun)
        self.card = Card(seed, key, noun, site.point(noun.counts))
        self.electrical = self.device.sent
        """mA or V at the input."""
        self.counts = self.card.counts(self.electrical)

    def step(self, dt: float, difference_pa: float, outside_C: float, before: float) -> None:
        sent = self.device.step(dt, self.tube.step(dt, difference_pa), outside_C)
        self.electrical = self.wire.step(dt, sent, before)
        self.convert(self.electrical)

    def convert(self, electrical: float) -> None:
        """Counts of what stands at its input, mA or V."""
        self.counts = self.card.counts(electrical)


@dataclass
class PressureLoop:
    """A space, its transducers and the drive that holds it."""

    space: Space
    channels: list[Channel]
    drive: Drive

    def step(self, dt: float, weather: Weather) -> None:
        self.space.step(dt, self.drive.command, weather)
        before = self.channels[-1].electrical
        for channel, difference in zip(self.channels, self.space.differences, strict=True):
            channel.step(dt, difference, weather.outside_C, before)
            before = channel.electrical
        if "inputs-swapped" in self.drive.faults:
            first, second = self.channels[:2]
            first.convert(second.electrical)
            second.convert(first.electrical)
        self.drive.step(dt, [channel.counts for channel in self.channels])


@dataclass
class Link:
    """How a controller answers Modbus. `held`: its registers, while they stand still."""

    faults: dict[str, float] = field(default_factory=dict)
    held: tuple[float, ...] | None = None


class Plant:
    """Every loop of a site, at `time` (seconds since 1970 UTC), settled from the start."""

    def __init__(
        self, site: Site, *, seed: int, time: float, max_step_s: float = MAX_STEP_S
    ) -> None:
        self.site = site
        self._max_step_s = max_step_s
        self.links = {key: Link() for key in site.controllers}
        self.weather = Weather(seed, time - WARM_S)
        self.loops = {key: _loop(site, key, seed, time) for key in site.loops}
        self._parts = _parts(self)
        self._active: dict[tuple[str, str], Fault] = {}
        self._readings = {key: _readings(self, key) for key in site.controllers}
        self.step(WARM_S)

    @property
    def time(self) -> float:
        """Seconds since 1970 UTC."""
        return self.weather.time

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is switched on, oldest first."""
        return tuple(self._active.values())

    def step(self, dt: float) -> None:
        """Let dt seconds pass, in steps of at most `max_step_s`."""
        pieces = max(1, -int(-dt // self._max_step_s))
        piece, loops, weather = dt / pieces, tuple(self.loops.values()), self.weather
        for _ in range(pieces):
            weather.step(piece)
            for loop in loops:
                loop.step(piece, weather)

    def switch(self, kind: str, subject: str, size: float | None = None, *, on: bool) -> Fault:
        """Switch a fault on or off; FaultError for one that cannot be."""
        fault = checked(self.site, kind, subject, size)
        part = self._parts[KINDS[kind].part, subject]
        if on:
            part[kind] = fault.size
            self._active[kind, subject] = fault
        else:
            part.pop(kind, None)
            self._active.pop((kind, subject), None)
        if kind == "stale-data":
            self.links[subject].held = self._now(subject) if on else None
        return fault

    def values(self, controller: str) -> tuple[float, ...]:
        """What a controller's registers say now, one value a point, in file order, unrounded."""
        held = self.links[controller].held
        return self._now(controller) if held is None else held

    def _now(self, controller: str) -> tuple[float, ...]:
        return tuple([read() for read in self._readings[controller]])


def _loop(site: Site, key: str, seed: int, time: float) -> PressureLoop:
    plan, noun = blueprint(key), site.loops[key]
    nouns = [site.transducers[k] for k in noun.transducers]
    channels = [Channel(site, k, seed, time, plan.setpoint_pa) for k in noun.transducers]
    unit = site.point(noun.feedback).unit if noun.feedback else site.loop_unit(key)
    if unit not in PASCALS:
        raise StartError(f"loops.{key}.feedback: unit {unit!r}; allowed: {', '.join(PASCALS)}")
    drive = Drive(
        [Input(one, unit) for one in nouns],
        noun.combine,
        from_pa(max(one.span_pa for one in nouns), unit),
        from_pa(plan.setpoint_pa, unit),
        rises_below=noun.action == "reverse",
        tuning=plan.tuning,
        command=plan.command,
    )
    return PressureLoop(plan.build(seed, site, key, WARM_S + 40.0), channels, drive)


def _parts(plant: Plant) -> dict[tuple[str, str], dict[str, float]]:
    """(part, subject) -> the faults switched on there."""
    parts = {("link", key): link.faults for key, link in plant.links.items()}
    for key, loop in plant.loops.items():
        parts["drive", key] = loop.drive.faults
        parts["space", key] = loop.space.faults
        ids = plant.site.loops[key].transducers
        for name, channel, one in zip(ids, loop.channels, loop.drive.inputs, strict=True):
            parts["tube", name] = channel.tube.faults
            parts["device", name] = channel.device.faults
            parts["wire", name] = channel.wire.faults
            parts["card", name] = channel.card.faults
            parts["input", name] = one.faults
    return parts


def _readings(plant: Plant, controller: str) -> tuple[Reading, ...]:
    """Where each point of a controller takes its value; StartError for one without a meaning."""
    known: dict[str, Reading] = {}
    for key, loop in plant.loops.items():
        for ref, read in _loop_readings(plant.site, key, loop).items():
            owner, _, name = ref.partition(".")
            if owner == controller:
                known[name] = read
    names = plant.site.controllers[controller].points
    if unknown := [name for name in names if name not in known]:
        allowed = ", ".join(known)
        raise StartError(
            f"controllers.{controller}.points.{unknown[0]}: the demo plant has no value for it; "
            f"allowed: {allowed}"
        )
    return tuple(known[name] for name in names)


def _loop_readings(site: Site, key: str, loop: PressureLoop) -> Mapping[str, Reading]:
    noun, drive = site.loops[key], loop.drive
    top = noun.output_range[1] if noun.output_range else 100.0
    found: dict[str, Reading] = {}
    for name, channel, one in zip(noun.transducers, loop.channels, drive.inputs, strict=True):
        transducer = site.transducers[name]
        found[transducer.counts] = _counts_of(channel)
        if transducer.controller_value:
            found[transducer.controller_value] = _value_of(one)
    owner = site.transducers[noun.transducers[0]].counts.partition(".")[0]
    fan = loop.space.fan
    named: dict[str | None, Reading] = {
        noun.feedback: lambda: drive.feedback,
        noun.setpoint: lambda: drive.setpoint,
        noun.output: lambda: drive.command * top,
        noun.running: lambda: float(drive.running and not drive.sleeping),
        f"{owner}.sleeping": lambda: float(drive.sleeping),
        f"{owner}.speed": lambda: fan.speed * fan.curve.rated_rpm,
        f"{owner}.temperature": lambda: 30.0 + 25.0 * fan.speed**3,
        f"{owner}.run_time": lambda: drive.run_time,
        f"{owner}.uptime": lambda: drive.elapsed % 65536.0,
        f"{owner}.cycles": lambda: drive.elapsed * 10.0 % 65536.0,
        f"{owner}.beats": lambda: drive.elapsed,
    }
    found.update({ref: read for ref, read in named.items() if ref})
    return found


def _counts_of(channel: Channel) -> Reading:
    return lambda: channel.counts


def _value_of(one: Input) -> Reading:
    return lambda: one.value
