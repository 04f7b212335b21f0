"""What station.toml may say, table by table, in the units of the file."""

from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field, model_validator

from fillguard.core.rules import Extents
from fillguard.core.units import PA_PER_BAR
from fillguard.settings.schema import Section, choice, number, refusal, text

Name = Annotated[
    str,
    text(
        "1 to 32 letters, digits, - and _, starting with a letter or digit: it stands in topics and record names",
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$",
    ),
]
FilePath = Annotated[
    str,
    text("the path of a file; a relative one counts from the folder of station.toml", pattern=r"^[^:]*(:[^/]|$)"),
]
GaugeBar = Annotated[float, number(50, 700, "bar gauge")]


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, OSError, ValueError) as error:
        raise ValueError(name) from error
    return name


class StationSection(Section):
    """`[station]`: where we are and how people here read their gauges."""

    id: Name
    name: Annotated[str, text("what people call the station")]
    pressure_unit: Annotated[Literal["bar", "psi"], choice('"bar" or "psi"')] = "bar"
    temperature_unit: Annotated[Literal["C", "F"], choice('"C" or "F"')] = "C"
    timezone: Annotated[
        str, text('a name from the time zone list, such as "UTC" or "Europe/Oslo"'), AfterValidator(_known_zone)
    ] = "UTC"
    profile: Annotated[
        Literal["us", "eu"], choice('"us" (ratings hold at 21.1 C, 70 F) or "eu" (ratings hold at 15 C)')
    ] = "eu"
    ambient_pressure_mbar: Annotated[float, number(500, 1100, "mbar")] = 1013.25
    ambient_default_c: Annotated[float, number(-30, 50, "degrees C")] = 20.0
    hot_allowance_bar: Annotated[
        Literal["full"] | Annotated[float, number(0, 100, "bar")],
        choice(
            '"full" (only the other caps count), 0 (the gauge never above the stamp) or a number up to 100 bar '
            "(1450 psi) by which the gauge may stand over the rating while the gas is hot; "
            "the shop must choose, there is no default"
        ),
    ]
    oxygen_threshold: Annotated[float, number(0.21, 0.40, "(a fraction: 0.235 is 23.5 % oxygen)")] = 0.40


class BrokerSection(Section):
    """`[broker]`: the MQTT server."""

    host: Annotated[str, text("a host name or address, without port", pattern=r"^[A-Za-z0-9._:-]+$")] = "127.0.0.1"
    port: Annotated[int | None, number(1, 65535, "(left out: 1883, with tls 8883)")] = None
    user: Annotated[str | None, text("the user name at the broker")] = None
    password_file: FilePath | None = None
    tls: Annotated[bool, choice("true or false")] = False
    tls_ca_file: FilePath | None = None
    tls_cert_file: FilePath | None = None
    tls_key_file: FilePath | None = None
    version: Annotated[Literal["auto", "5", "3.1.1"], choice('"auto", "5" or "3.1.1", in quotes')] = "auto"
    client_id: Annotated[str | None, text("1 to 64 characters, one id for each fillguard at this broker")] = None

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        if self.password_file and not self.user:
            raise refusal("password_file is given without user: give both or none")
        if bool(self.tls_cert_file) != bool(self.tls_key_file):
            raise refusal("tls_cert_file and tls_key_file belong together: give both or none")
        if not self.tls and (self.tls_ca_file or self.tls_cert_file):
            raise refusal(
                "certificates are given but tls is not true: without it the password goes over the wire in clear"
            )
        return self


class WhipSection(Section):
    """`[[whip]]`: one fill whip, gauge pressures."""

    id: Name
    max_working_bar: GaugeBar
    lowest_rating_bar: Annotated[float, number(100, 500, "bar gauge")]
    lowest_rating_reference_c: Annotated[float | None, number(0, 40, "degrees C")] = None
    """None: what the station's profile says."""
    safety_valve_bar: GaugeBar | None = None
    supply_end_bar: GaugeBar | None = None
    oxygen_clean: Annotated[bool | None, choice("true or false")] = None
    oxygen_compatible_air: Annotated[bool, choice("true or false")] = False

    @model_validator(mode="after")
    def _ratings_fit(self) -> Self:
        if self.lowest_rating_bar > self.max_working_bar:
            raise refusal(
                f"the lowest cylinder rating ({self.lowest_rating_bar:.4g} bar) is above what the whip itself may "
                f"carry ({self.max_working_bar:.4g} bar): read both stamps again"
            )
        return self


class GaugeSection(Section):
    """`[[gauge]]`: one gauge behind several whips."""

    id: Name
    whips: Annotated[
        list[Name], Field(min_length=2, description="a list of at least two whip ids in quotes, each of them once")
    ]

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        twice = sorted({whip for whip in self.whips if self.whips.count(whip) > 1})
        if twice:
            raise refusal(f"whip {twice[0]} stands there twice")
        return self


class LedgerSection(Section):
    """`[ledger]`: the record."""

    path: FilePath = "ledger.sqlite3"
    raw_retention_days: Annotated[
        float | None, number(1, 36500, "days; leave it out to keep raw readings for ever")
    ] = None
    anchor_channel: Annotated[
        str | None, text("the name of a [[channel]] that gets a line with the end of the record once a day")
    ] = None


class InfluxSection(Section):
    """`[influx]`: the mirror. Left out: none."""

    url: Annotated[
        str,
        text(
            "http:// or https:// with host and port; no user or password: the token goes into token_file",
            pattern=r"^https?://[^@/\s]+(/[^@\s]*)?$",
        ),
    ]
    org: Annotated[str, text("the organisation at the server")]
    bucket: Annotated[str, text("the bucket to write to")]
    token_file: FilePath


class ExtentsSection(Section):
    """`[extents]`: when a fill starts, pauses, closes and ends."""

    rate_window_s: Annotated[float, number(5, 60, "seconds")] = 20.0
    start_rate_bar_min: Annotated[float, number(0.2, 20, "bar/min")] = 2.0
    start_rise_bar: Annotated[float, number(0.2, 10, "bar")] = 1.0
    paused_after_s: Annotated[float, number(3, 120, "seconds")] = 10.0
    closed_after_s: Annotated[float, number(30, 1800, "seconds")] = 120.0
    same_fill_within_s: Annotated[float, number(60, 7200, "seconds")] = 900.0
    ended_after_s: Annotated[float, number(60, 7200, "seconds")] = 900.0
    bled_below_bar: Annotated[float, number(0.5, 10, "bar gauge")] = 3.0
    settled_for_s: Annotated[float, number(30, 3600, "seconds")] = 180.0
    settled_within_bar: Annotated[float, number(0.1, 5, "bar")] = 0.5
    settled_interval_bar: Annotated[float, number(0.5, 20, "bar")] = 3.0
    get_ready_s: Annotated[float, number(5, 300, "seconds")] = 45.0
    reaction_s: Annotated[float, number(1, 30, "seconds")] = 3.0
    live_for_s: Annotated[float, number(1, 60, "seconds")] = 5.0
    silent_after_s: Annotated[float, number(2, 60, "seconds")] = 5.0
    silent_periods: Annotated[float, number(1, 20, "periods of the sensor")] = 3.0
    silent_settling_s: Annotated[float, number(10, 600, "seconds")] = 60.0
    whip_only_doubt_s: Annotated[float, number(1, 60, "seconds")] = 5.0
    resume_within_s: Annotated[float, number(10, 7200, "seconds")] = 900.0

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.paused_after_s < self.closed_after_s <= self.ended_after_s:
            raise refusal(
                f"a fill pauses, closes, ends in this order: paused_after_s ({self.paused_after_s:g}) < closed_after_s "
                f"({self.closed_after_s:g}) <= ended_after_s ({self.ended_after_s:g}) does not hold"
            )
        return self

    def extents(self) -> Extents:
        """The same in SI."""
        return Extents(**dict(_in_si(key, value) for key, value in self.model_dump().items()))


def _in_si(key: str, value: float) -> tuple[str, float]:
    """A key and value of `[extents]` as the field of `Extents` that they set."""
    if key == "bled_below_bar":
        return "bled_below_gauge_pa", value * PA_PER_BAR
    if key.endswith("_bar_min"):
        return key.replace("_bar_min", "_pa_s"), value * PA_PER_BAR / 60.0
    if key.endswith("_bar"):
        return key.replace("_bar", "_pa"), value * PA_PER_BAR
    return key, value
