"""The tables of a scenario file: a station, what hangs on it, what its operators do and what goes wrong.

Everything else is refused, with a suggestion:

- `[station]` id, seed, duration_s, air_c, air_swing_c, bath_c, ambient_every_s
- `[link]` delay_s, jitter_s, loss, duplicate, late, late_by_s: how messages travel, for all whips
- `[heat]` natural, forced: factors on the published heat transfer inside the cylinders
- `[[source]]` name, kind = "compressor" (free_air_l_min, stop_bar, supply_c) or "cascade" (bank list with volume_l and
  start_bar, lowest first; non_return, change_difference_bar, change_takes_s), gas
- `[[cylinder]]` what it is (water_volume_l, empty_mass_kg of ONE; count) and how it arrives (start_bar, start_c)
- `[[whip]]` id, gauge, wall, clock_offset_s, send_time, `[[whip.act]]`, `[[whip.fault]]`

Acts are done in order. Each has `at_s` (scenario time) or `after_s` (after the one before is done); it starts when its
time has come and the one before is done. Faults come at `at_s`, when the cylinder reaches `at_bar`, or `after_close_s`.
Pressures bar gauge, temperatures C. An opening is a share of the valve's full flow area.
"""

from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from fillguard.core.errors import ConfigurationError
from fillguard.core.values import AIR, GasMix, Material

_LONGEST_S = 6 * 3600.0

Seconds = Annotated[float, Field(ge=0.0, le=_LONGEST_S)]
Bar = Annotated[float, Field(ge=0.0, le=450.0)]
Celsius = Annotated[float, Field(ge=-20.0, le=60.0)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Identifier = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,32}$")]
Schedule = tuple[tuple[Seconds, float], ...]


def _gas(value: object) -> object:
    if value == "air":
        return AIR
    if isinstance(value, dict):
        if not {"o2"} <= set(value) <= {"o2", "he"}:
            raise ValueError('give "air" or fractions, such as {o2 = 0.32} or {o2 = 0.18, he = 0.45}')
        try:
            return GasMix(**value)
        except (ConfigurationError, TypeError) as error:
            raise ValueError(str(error)) from error
    return value


def _schedule(value: object) -> object:
    """One number holds from the start; pairs are (seconds since the panel was opened, number)."""
    return ((0.0, value),) if isinstance(value, int | float) else value


Gas = Annotated[GasMix, BeforeValidator(_gas)]
Stepped = Annotated[Schedule, BeforeValidator(_schedule)]


class Table(BaseModel):
    """Frozen; unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, arbitrary_types_allowed=True)


class StationTable(Table):
    """The place."""

    id: Identifier
    duration_s: Annotated[float, Field(ge=10.0, le=_LONGEST_S)]
    seed: int = 1
    air_c: Celsius = 20.0
    air_swing_c: Annotated[float, Field(ge=0.0, le=10.0)] = 0.3
    bath_c: Annotated[float, Field(ge=1.0, le=40.0)] | None = None
    ambient_every_s: Annotated[float, Field(ge=0.5, le=600.0)] = 10.0


class LinkTable(Table):
    """How messages travel from sensor to broker. Shares are of all sensor messages."""

    delay_s: Annotated[float, Field(ge=0.0, le=5.0)] = 0.02
    jitter_s: Annotated[float, Field(ge=0.0, le=5.0)] = 0.02
    loss: Annotated[float, Field(ge=0.0, le=0.5)] = 0.0
    duplicate: Annotated[float, Field(ge=0.0, le=0.5)] = 0.0
    late: Annotated[float, Field(ge=0.0, le=0.5)] = 0.0
    late_by_s: Annotated[float, Field(ge=0.0, le=60.0)] = 2.0


class HeatTable(Table):
    """Factors on the natural and the forced part of the heat transfer inside; 0 and 0 is adiabatic."""

    natural: Annotated[float, Field(ge=0.0, le=5.0)] = 1.0
    forced: Annotated[float, Field(ge=0.0, le=5.0)] = 1.0


class CompressorTable(Table):
    """A fixed flow, measured as free air at ambient, until the compressor stops itself."""

    kind: Literal["compressor"]
    name: Identifier
    gas: Gas = AIR
    free_air_l_min: Annotated[float, Field(ge=20.0, le=5000.0)]
    stop_bar: Annotated[float, Field(ge=50.0, le=420.0)]
    supply_c: Celsius | None = None
    """Of the gas at the panel; default 8 C above the air."""


class BankTable(Table):
    """One bank of a cascade."""

    volume_l: Annotated[float, Field(ge=1.0, le=5000.0)]
    start_bar: Annotated[float, Field(ge=1.0, le=420.0)]


class CascadeTable(Table):
    """Finite banks behind the panel valve; the operator goes to the next when the difference gets small."""

    kind: Literal["cascade"]
    name: Identifier
    gas: Gas = AIR
    bank: Annotated[tuple[BankTable, ...], Field(min_length=1, max_length=12)]
    non_return: bool = True
    change_difference_bar: Annotated[float, Field(ge=0.5, le=100.0)] = 8.0
    change_takes_s: Annotated[float, Field(ge=0.0, le=120.0)] = 8.0
    panel_area_mm2: Annotated[float, Field(ge=0.01, le=50.0)] = 3.0


SourceTable = Annotated[CompressorTable | CascadeTable, Field(discriminator="kind")]


class CylinderTable(Table):
    """A cylinder or a set of `count` equal ones behind one valve; capacity and mass are of ONE."""

    serial: Annotated[str, Field(min_length=1, max_length=40)]
    material: Material
    water_volume_l: Annotated[float, Field(ge=0.2, le=150.0)]
    empty_mass_kg: Annotated[float, Field(ge=0.3, le=250.0)]
    rated_pressure_bar: Annotated[float, Field(ge=100.0, le=500.0)]
    reference_temperature_c: Annotated[float, Field(ge=0.0, le=40.0)]
    count: Annotated[int, Field(ge=1, le=12)] = 1
    joined: Annotated[int, Field(ge=1, le=12)] | None = None
    """How many of the set are really open to each other; fewer than `count` is a shut isolator."""
    start_bar: Bar = 50.0
    start_c: Annotated[float, Field(ge=-20.0, le=65.0)] | None = None
    residual_gas: Gas | None = None
    """Default: the gas of the first source that fills it."""
    disc_burst_bar: Annotated[float, Field(ge=50.0, le=900.0)] | None = None
    valve_area_mm2: Annotated[float, Field(ge=0.01, le=50.0)] = 1.4

    @model_validator(mode="after")
    def _joined_within_count(self) -> Self:
        if self.joined is not None and self.joined > self.count:
            raise ValueError(f"joined = {self.joined} is more than count = {self.count}")
        return self


class GaugeTable(Table):
    """The whip's pressure sensor."""

    every_s: Annotated[float, Field(ge=0.1, le=60.0)] = 0.2
    noise_bar: Annotated[float, Field(ge=0.0, le=10.0)] = 0.12
    step_bar: Annotated[float, Field(ge=0.0, le=10.0)] = 0.1
    gain: Annotated[float, Field(ge=0.8, le=1.2)] = 1.0
    zero_bar: Annotated[float, Field(ge=-20.0, le=20.0)] = 0.0


class WallTable(Table):
    """The strap-on wall sensor. In a bath, one that is not insulated reads the water."""

    every_s: Annotated[float, Field(ge=0.1, le=600.0)] = 5.0
    noise_c: Annotated[float, Field(ge=0.0, le=5.0)] = 0.08
    step_c: Annotated[float, Field(ge=0.0, le=5.0)] = 0.1
    lag_s: Annotated[float, Field(ge=0.1, le=300.0)] = 12.0
    contact: Share = 0.06
    insulated: bool = False


class _Timed(Table):
    at_s: Seconds | None = None
    after_s: Seconds | None = None

    @model_validator(mode="after")
    def _one_time(self) -> Self:
        if (self.at_s is None) == (self.after_s is None):
            raise ValueError("give at_s (scenario time) or after_s (after the act before), one of the two")
        return self


class _Said(_Timed):
    """What the operator tells the station about the cylinder on the whip."""

    cylinder: str
    operator: str | None = None
    gas: Gas | None = None
    """Default: not said."""
    target_bar: Annotated[float, Field(ge=1.0, le=500.0)] | None = None
    surroundings: Literal["air", "bath"] = "air"
    arrived: Literal["shop", "cold", "hot"] | float | None = None
    leave_out: tuple[str, ...] = ()
    """Keys of the inline description not to send, such as `empty_mass_kg`."""


class AttachAct(_Said):
    """Screw the cylinder on, its valve shut, and say so (`announce`): inline, by serial only, or not at all."""

    do: Literal["attach"]
    announce: Literal["inline", "serial", "none"] = "inline"


class AnnounceAct(_Said):
    """Only say it: a late identification, or a wrong one."""

    do: Literal["announce"]
    announce: Literal["inline", "serial"] = "inline"


class DetachAct(_Timed):
    """Take the cylinder off, and say so unless told otherwise."""

    do: Literal["detach"]
    announce: bool = True


class CylinderValveAct(_Timed):
    """Turn the cylinder valve to `opening` within `over_s`."""

    do: Literal["cylinder-valve"]
    opening: Share
    over_s: Seconds = 2.0


class _Panel(_Timed):
    source: str
    throttle: Stepped | None = None
    """Opening of the panel valve, or pairs (seconds since it was opened, opening)."""
    rate_bar_min: Stepped | None = None
    """The rise of the gauge that the operator holds by throttling; banks only."""


class OpenPanelAct(_Panel):
    """Open the panel valve and go on to the next act."""

    do: Literal["open-panel"]


class PauseTable(Table):
    """The panel valve is shut when the gauge passes `at_bar`, and opened again."""

    at_bar: Bar
    for_s: Seconds


class FillAct(_Panel):
    """Open the panel valve (unless open), wait for the gauge, close it. It counts only with the cylinder valve open."""

    do: Literal["fill"]
    close_at_bar: Annotated[float, Field(ge=1.0, le=450.0)]
    pause: tuple[PauseTable, ...] = ()
    at_most_s: Seconds = 1800.0


class ClosePanelAct(_Timed):
    """Close the panel valve."""

    do: Literal["close-panel"]


class BleedAct(_Timed):
    """Open the bleed until the gauge is down at `until_bar`, then close it. An open cylinder drains."""

    do: Literal["bleed"]
    opening: Share = 1.0
    until_bar: Bar = 0.0
    at_most_s: Seconds = 600.0


Act = Annotated[
    AttachAct | AnnounceAct | DetachAct | CylinderValveAct | OpenPanelAct | FillAct | ClosePanelAct | BleedAct,
    Field(discriminator="do"),
]


class _Fault(Table):
    at_s: Seconds | None = None
    at_bar: Bar | None = None
    after_close_s: Seconds | None = None

    @model_validator(mode="after")
    def _one_trigger(self) -> Self:
        if sum(value is not None for value in (self.at_s, self.at_bar, self.after_close_s)) != 1:
            raise ValueError("give exactly one of at_s, at_bar (pressure in the cylinder) and after_close_s")
        return self


class SilentFault(_Fault):
    """The sensor says nothing for a while; with `reboot` it comes back under a new boot id."""

    kind: Literal["silent"]
    channel: Literal["pressure", "wall"] = "pressure"
    for_s: Seconds
    reboot: bool = False


class StuckFault(_Fault):
    """The sensor repeats its last value for a while."""

    kind: Literal["stuck"]
    channel: Literal["pressure", "wall"] = "pressure"
    for_s: Seconds


class LeakFault(_Fault):
    """Gas is lost from the whip or the cylinder; the size is what it would cost the cylinder at 200 bar."""

    kind: Literal["leak"]
    where: Literal["whip", "cylinder"] = "cylinder"
    bar_per_hour: Annotated[float, Field(gt=0.0, le=20_000.0)]


class BurstFault(_Fault):
    """The relief disc lets go."""

    kind: Literal["burst"]


Fault = Annotated[SilentFault | StuckFault | LeakFault | BurstFault, Field(discriminator="kind")]


class WhipTable(Table):
    """A whip: its sensors, its operator's acts, its faults."""

    id: Identifier
    gauge: GaugeTable = GaugeTable()
    wall: WallTable | None = None
    clock_offset_s: Annotated[float, Field(ge=-3600.0, le=3600.0)] = 0.0
    send_time: bool = True
    act: tuple[Act, ...] = ()
    fault: tuple[Fault, ...] = ()


class Scenario(Table):
    """The whole file."""

    station: StationTable
    link: LinkTable = LinkTable()
    heat: HeatTable = HeatTable()
    source: tuple[SourceTable, ...] = ()
    cylinder: tuple[CylinderTable, ...] = ()
    whip: Annotated[tuple[WhipTable, ...], Field(min_length=1, max_length=64)]
