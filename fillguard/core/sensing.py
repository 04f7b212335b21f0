"""Readings of the sensors beside a whip's gauge, and what each of them changes. Pressures gauge pascal."""

from collections.abc import Mapping
from dataclasses import replace
from math import isfinite

from fillguard.core import estimator
from fillguard.core.conditions import WRONG_GAS
from fillguard.core.diagnosis import loop_fault
from fillguard.core.events import Doubt, Quality, Quantity, Reading, ReadingDoubted, ZeroChecked
from fillguard.core.hinted import Finding
from fillguard.core.limits import Cap, lowest_first
from fillguard.core.sensed import NO_NEWS, Sensed, Sensors, is_news, is_usable, sensed_after
from fillguard.core.signalling import Signalling
from fillguard.core.units import PA_PER_BAR, c_from_k
from fillguard.core.values import Surroundings
from fillguard.core.whip import Wall
from fillguard.core.zero import OFF_SHARE, ZERO_OFF, after, judged, remembered

_CAP = "supply"
_MOVED_PA = 1.0 * PA_PER_BAR
"""A bank falls slowly: the context is not made anew for less."""
ASKED = 0.7
_IN_USE_S = 12 * 3600.0
"""What has been silent for longer than a day at the shop is not in use (our choice)."""
_NAMES: Mapping[Quantity, tuple[str, str]] = {
    Quantity.WALL: ("wall", "The wall is not seen any more; the projection goes on without it."),
    Quantity.AMBIENT: ("ambient", "That is still taken for the room's temperature."),
    Quantity.BATH: ("bath", "That is still taken for the bath's temperature."),
    Quantity.SUPPLY: ("supply", "Look at the bank's own gauge before the next change."),
    Quantity.O2_FRACTION: ("oxygen", "A wrong gas would not be noticed: analyse before anything leaves."),
    Quantity.LOOP_CURRENT: ("loop", "A broken wire may show as a wrong pressure: compare with the needle."),
    Quantity.VALVE: ("valve", "Whether the panel valve is open is not known any more."),
}


class Sensing(Signalling):
    """What is heard beside the gauge."""

    def on_wall(self, reading: Reading) -> None:
        """A reading of the strap-on sensor."""
        if reading.quality is Quality.BAD or reading.doubt in NO_NEWS:
            return
        wall = self.state.wall or Wall(kelvin=0.0, sample_s=float("-inf"), arrived_mono_s=0.0)
        if not (isfinite(reading.value) and isfinite(reading.sample_s) and reading.sample_s > wall.sample_s):
            return
        self.note(reading)
        state = replace(self.state, wall=wall.after(reading.value, reading.sample_s, reading.stamp.mono_s))
        self.state = state
        if state.estimate is not None and state.context is not None:
            estimate = estimator.on_wall(state.estimate, state.context, reading.value, reading.sample_s)
            self.state = replace(state, estimate=estimate)
        if state.fill is not None and reading.doubt is not Doubt.STALE:
            self._judge(("wall-hot",))
            self._signal()

    def on_surroundings(self, kelvin: float, medium: Surroundings) -> None:
        """A reading of shop air or bath; only what this cylinder stands in concerns it."""
        state = self.state
        if state.estimate is not None and state.context is not None and state.context.surroundings is medium:
            self.state = replace(state, estimate=estimator.on_surroundings(state.estimate, kelvin))

    def on_sensed(self, reading: Reading) -> None:
        """A reading of bank, oxygen, loop current or panel valve; of this whip, or of the station for it."""
        if reading.quantity is Quantity.LOOP_CURRENT and is_news(reading):
            self._on_loop(reading)
        if not is_usable(reading):
            return
        self.note(reading)
        if reading.quantity is Quantity.SUPPLY:
            self._follow_supply()
        self._judge((WRONG_GAS,))
        self._signal()

    def note(self, reading: Reading) -> None:
        """Remember a usable reading, and when it came."""
        self.state = replace(self.state, sensed=with_sensed(self.state.sensed, reading))

    def believed(self, reading: Reading) -> Reading:
        """The gauge's reading as it may be used: with its loop at fault it is none, whatever number it gives."""
        if not self.state.loop_fault:
            return reading
        doubted = ReadingDoubted(
            stamp=self.now,
            whip=self.state.whip,
            source=reading.source,
            sample_s=reading.sample_s,
            quality=Quality.BAD,
            doubt=Doubt.LOOP_FAULT,
        )
        self.out.append(doubted)
        return replace(reading, quality=Quality.BAD, doubt=Doubt.LOOP_FAULT)

    def tell_silent(self, of_station: Sensors) -> None:
        """Say which of the sensors that this fill relies on has fallen silent; once, until it speaks again."""
        if self.state.fill is None:
            return
        for quantity, sensed in (*of_station.items(), *self.state.sensed.items()):
            name = f"{_NAMES[quantity][0]}-silent"
            whose = None if sensed.of_station else self.state.whip
            if sensed.silent_s(self.now) > _IN_USE_S:
                continue
            if sensed.speaks(self.now, self.rules.silent_after_s.get((whose, quantity))):
                if name in self.state.findings:
                    self.state = replace(self.state, findings=self.state.findings - {name})
            elif self._relied_on(quantity):
                self.find(_fell_silent(name, quantity, sensed, sensed.silent_s(self.now)))

    def look_at_zero(self, reading: Reading) -> None:
        """An accepted reading of the gauge: a whip that was bled must read zero."""
        zero, now = self.state.zero, self.now
        looked, zero_pa = after(zero, reading.sample_s, reading.value, self.rules.extents.bled_below_gauge_pa)
        if zero_pa is not None:
            range_pa = self.rules.whip(self.state.whip).max_working_gauge_pa
            rule = self.rules.alarms.get(ZERO_OFF)
            off_share = OFF_SHARE if rule is None else rule.setpoint
            said = judged(zero, self.state.whip, zero_pa, now.utc_s, range_pa=range_pa, off_share=off_share)
            looked = remembered(looked, zero_pa, now.utc_s, said.verdict)
            self.out.append(
                ZeroChecked(
                    stamp=now,
                    whip=self.state.whip,
                    fill_id=self.state.fill.fill_id if self.state.fill is not None else None,
                    zero_gauge_pa=zero_pa,
                    range_pa=range_pa,
                    drift_pa=said.drift_pa,
                    judged=said.verdict,
                    text=said.text,
                )
            )
        if looked is not zero:
            self.state = replace(self.state, zero=looked)

    def question(self, name: str, detail: str, *, settled: bool) -> None:
        """Something about a sensor of this whip is questionable, or is no longer."""
        if settled:
            self.state = replace(self.state, findings=self.state.findings - {name})
        else:
            self.find(Finding(name=name, confidence=ASKED, text=f"{detail}."))

    def _relied_on(self, quantity: Quantity) -> bool:
        in_bath = self.held.surroundings is Surroundings.BATH
        return {Quantity.BATH: in_bath, Quantity.AMBIENT: not in_bath}.get(quantity, True)

    def _on_loop(self, reading: Reading) -> None:
        fault = reading.doubt is Doubt.LOOP_FAULT
        if fault != self.state.loop_fault:
            self.state = replace(self.state, loop_fault=fault)
        if fault and self.state.fill is not None:
            self.find(loop_fault())
        self._judge(("monitoring-lost",))
        self._signal()

    def _follow_supply(self) -> None:
        """Where this fill must end moves with the bank."""
        context, end_pa = self.state.context, self.view.supply_gauge_pa
        if context is None or end_pa is None:
            return
        before_pa = next((cap.gauge_pa for cap in context.caps if cap.name == _CAP), None)
        if before_pa is not None and abs(before_pa - end_pa) < _MOVED_PA:
            return
        others = [cap for cap in context.caps if cap.name != _CAP]
        caps = lowest_first([*others, Cap(name=_CAP, gauge_pa=end_pa)])
        self.state = replace(self.state, context=replace(context, caps=caps))


def with_sensed(sensors: Sensors, reading: Reading) -> Sensors:
    """The sensors after a usable reading. A whip's own bank is not covered by the station's."""
    before = sensors.get(reading.quantity)
    if before is not None and reading.whip is None and not before.of_station:
        return sensors
    return {**sensors, reading.quantity: sensed_after(before, reading)}


def _fell_silent(name: str, quantity: Quantity, sensed: Sensed, silent_s: float) -> Finding:
    said, meaning = _said(quantity, sensed.value), _NAMES[quantity][1]
    text = (
        f"The {_NAMES[quantity][0]} sensor ({sensed.source}) has given nothing usable for {silent_s:.0f} s; "
        f"its last word was {said}. {meaning}"
    )
    return Finding(name=name, confidence=1.0, text=text)


def _said(quantity: Quantity, value: float) -> str:
    match quantity:
        case Quantity.SUPPLY:
            return f"{value / PA_PER_BAR:.0f} bar"
        case Quantity.LOOP_CURRENT:
            return f"{value * 1e3:.2f} mA"
        case Quantity.O2_FRACTION:
            return f"{value * 100.0:.1f} % O2"
        case Quantity.VALVE:
            return f"{value * 100.0:.0f} % open"
        case _:
            return f"{c_from_k(value):.1f} C"
