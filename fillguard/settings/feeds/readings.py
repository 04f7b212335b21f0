"""`[[feed.reading]]` tables to `ReadingSettings`: quantity, place in the message, unit, limits, loop, words."""

from collections.abc import Collection, Mapping

from fillguard.core.events import Quantity
from fillguard.settings.feeds.model import Bits, Loop, Payload, ReadingSettings, TimeIs
from fillguard.settings.feeds.schema import READING_KEYS, FeedSection, ReadingSection, idle_keys
from fillguard.settings.feeds.telling import Telling
from fillguard.settings.problems import Problem
from fillguard.settings.schema import Place, validated
from fillguard.settings.units import BARE, PRESSURES, TEMPERATURES, UNITS, Unit, UnitError, unit_of

_AT_A_WHIP = frozenset({Quantity.PRESSURE, Quantity.WALL, Quantity.LOOP_CURRENT, Quantity.VALVE})
_MEASURABLE: Mapping[Quantity, tuple[float, float]] = {
    **dict.fromkeys(PRESSURES, (-5e5, 1100e5)),
    **dict.fromkeys(TEMPERATURES, (0.0, 1300.0)),
    Quantity.O2_FRACTION: (-0.05, 1.1),
    Quantity.LOOP_CURRENT: (-0.001, 0.05),
    Quantity.VALVE: (-0.05, 1.1),
}
"""Widest range of a sensor that could hang at a fill station, SI (our choice)."""
_OF_THE_STATION = frozenset({Quantity.AMBIENT, Quantity.BATH})


class ReadingResolver(Telling):
    """The readings of one feed after the other."""

    def __init__(self, file: str, ambient_abs_pa: float, whips: Collection[str], problems: list[Problem]) -> None:
        """`whips`: the configured ids."""
        super().__init__(whips, problems)
        self._file, self._ambient_abs_pa = file, ambient_abs_pa

    def readings(self, section: FeedSection, place: Place, *, at_whip: bool) -> tuple[ReadingSettings, ...]:
        """Every reading of the feed; `at_whip`: topic or feed say whose they are."""
        if not section.reading:
            self.tell(place, "reading", "is missing; write [[feed.reading]] with at least its quantity")
        found: list[ReadingSettings] = []
        for number, table in enumerate(section.reading, start=1):
            where = Place(file=self._file, label=f"{place.label} reading {number}")
            reading = validated(ReadingSection, table, where, self._problems)
            if reading is None:
                continue
            for key in idle_keys(table, READING_KEYS[Payload(section.payload)]):
                self.tell(where, key, f'does nothing with payload = "{section.payload}": take it out', table[key])
            resolved = self._reading(section, reading, where, at_whip=at_whip)
            if any(resolved.label == other.label for other in found):
                self.tell(where, "", "reads the same place of the message as another one of this feed")
            found.append(resolved)
        return tuple(found)

    def _reading(self, feed: FeedSection, section: ReadingSection, place: Place, *, at_whip: bool) -> ReadingSettings:
        quantity = Quantity(section.quantity)
        self._check_whip(quantity, section, place, at_whip=at_whip)
        unit = self._unit(Payload(feed.payload), quantity, section, place)
        time_is = section.time_is or feed.time_is
        return ReadingSettings(
            label=self._label(Payload(feed.payload), section, place),
            quantity=quantity,
            whip=section.whip,
            value=self.pointer(place, "value", section.value),
            record=section.record,
            device=section.device,
            metric=section.metric,
            bits=self._bits(section, place),
            unit=unit,
            unit_name=section.unit or "",
            unit_at=self.pointer(place, "unit_at", section.unit_at),
            absolute=section.basis == "absolute" if unit is None or unit.absolute is None else unit.absolute,
            time=self.pointer(place, "time", section.time if section.time is not None else feed.time),
            time_is=TimeIs(time_is),
            seq=self.pointer(place, "seq", section.seq if section.seq is not None else feed.seq),
            boot=self.pointer(place, "boot", section.boot if section.boot is not None else feed.boot),
            limits_si=self._limits(section, unit, quantity, place),
            words=section.words or {},
            scale=self._scale(section, place),
            offset=section.offset,
            loop=self._loop(section, unit, quantity, place),
            live_for_s=section.live_for_s,
            silent_after_s=section.silent_after_s,
        )

    def look_into(self, table: Mapping[str, object], place: Place) -> None:
        """What is wrong with single readings is told even where their feed cannot be used."""
        readings = table.get("reading")
        for number, reading in enumerate(readings if isinstance(readings, list) else (), start=1):
            if isinstance(reading, dict):
                where = Place(file=self._file, label=f"{place.label} reading {number}")
                validated(ReadingSection, reading, where, self._problems)

    def _check_whip(self, quantity: Quantity, section: ReadingSection, place: Place, *, at_whip: bool) -> None:
        if section.whip is not None:
            self.known(place, "whip", section.whip)
        if section.whip is not None and at_whip:
            self.tell(place, "whip", "topic or feed name the whip already: take one of the two out", section.whip)
        if quantity in _AT_A_WHIP and section.whip is None and not at_whip:
            self.tell(place, "whip", f"is missing: whose {quantity} is it? Or put {{whip}} into the topic")
        if quantity in _OF_THE_STATION and (section.whip is not None or at_whip):
            self.tell(place, "quantity", "belongs to the whole station: give it a feed without a whip", quantity.value)

    def _label(self, payload: Payload, section: ReadingSection, place: Place) -> str:
        match payload:
            case Payload.JSON:
                return self._needed(place, "value", section.value, 'a JSON pointer in quotes, such as "/value"')
            case Payload.SENML:
                return self._needed(place, "record", section.record, "the whole name of the record")
            case Payload.SPARKPLUG:
                metric = self._needed(
                    place, "metric", section.metric, "the name of the metric, as in the birth message"
                )
                return f"{section.device}/{metric}" if section.device is not None else metric
            case Payload.HEX:
                bits = section.bits
                if bits is None:
                    self.tell(place, "bits", "is missing; allowed: [first bit, how many]")
                return f"bits {bits[0]}+{bits[1]}" if bits else ""
            case _:
                return ""

    def _needed(self, place: Place, key: str, value: str | None, allowed: str) -> str:
        if value is None:
            self.tell(place, key, f"is missing; allowed: {allowed}")
        return value or ""

    def _unit(self, payload: Payload, quantity: Quantity, section: ReadingSection, place: Place) -> Unit | None:
        if section.basis is not None and quantity not in PRESSURES:
            self.tell(place, "basis", "only a pressure has one: take it out", section.basis)
        says_itself = payload in (Payload.TEXT, Payload.SENML) or section.unit_at is not None
        if section.unit is None and quantity is Quantity.VALVE and not says_itself:
            return UNITS[quantity][BARE]
        if section.unit is None:
            if section.loop is not None or not says_itself:
                self.tell(place, "unit", f"is missing; allowed: {', '.join(list(UNITS[quantity])[:8])} and others")
            return None
        if section.unit_at is not None:
            self.tell(place, "unit_at", "unit says it already: take one of the two out", section.unit_at)
        try:
            unit = unit_of(section.unit, quantity)
        except UnitError as error:
            self.tell(place, "unit", str(error), section.unit)
            return None
        said = {True: "absolute", False: "gauge", None: section.basis}[unit.absolute]
        if section.basis is not None and section.basis != said:
            self.tell(place, "basis", f"unit {section.unit} says {said}: which one is it?", section.basis)
        return unit

    def _limits(
        self, section: ReadingSection, unit: Unit | None, quantity: Quantity, place: Place
    ) -> tuple[float, float] | None:
        if section.limits is None:
            return None
        low, high = section.limits
        if low >= high:
            self.tell(place, "limits", f"the lowest ({low:g}) is not below the highest ({high:g})")
        if unit is None:
            if section.unit is None:
                self.tell(place, "limits", "limits are in the unit of the reading: give unit")
            return None
        below = (
            self._ambient_abs_pa if quantity in PRESSURES and (unit.absolute or section.basis == "absolute") else 0.0
        )
        self._check_span("limits", (low, high), section, unit, place)
        return unit.si(low) - below, unit.si(high) - below

    def _check_span(
        self, key: str, span: tuple[float, float], section: ReadingSection, unit: Unit, place: Place
    ) -> None:
        """A range that no sensor of this trade has shows a wrong unit before any message comes."""
        quantity = Quantity(section.quantity)
        lowest, highest = _MEASURABLE[quantity]
        if all(lowest <= unit.si(value) <= highest for value in span):
            return
        allowed = ", ".join(f"{unit.from_si(value):.4g}" for value in (lowest, highest))
        text = f"no {quantity} sensor of this trade measures that; with this unit within {allowed}. Is the unit wrong?"
        self.tell(place, key, text, f"{span[0]:g} to {span[1]:g} {section.unit}")

    def _loop(self, section: ReadingSection, unit: Unit | None, quantity: Quantity, place: Place) -> Loop | None:
        if section.loop is None:
            return None
        low, high = section.loop
        if low == high:
            self.tell(place, "loop", f"both ends mean {low:g}: give what 4 mA and 20 mA mean, such as [0, 400]")
        if quantity is Quantity.LOOP_CURRENT:
            self.tell(place, "loop", 'loop_current is the current itself: take loop out and give unit = "mA"')
        if unit is None:
            return None
        self._check_span("loop", (low, high), section, unit, place)
        return Loop(at_4_ma=low, at_20_ma=high)

    def _bits(self, section: ReadingSection, place: Place) -> Bits | None:
        if section.bits is None:
            return None
        first, count = section.bits
        if not 1 <= count <= 64:  # noqa: PLR2004 - the widest register there is
            self.tell(place, "bits", f"{count} bits: allowed are 1 to 64")
        if section.order == "little" and (first % 8 or count % 8):
            self.tell(place, "order", "little: only whole bytes have an order; first and count must be multiples of 8")
        return Bits(first=first, count=count, signed=section.signed, little_endian=section.order == "little")

    def _scale(self, section: ReadingSection, place: Place) -> float:
        if section.scale == 0.0:
            self.tell(place, "scale", "with 0 every reading would be the same", 0)
        return section.scale
