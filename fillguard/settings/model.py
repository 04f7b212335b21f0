"""The configuration as the rest of fillguard sees it: SI, frozen, checked, secrets wrapped."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import SecretStr

from fillguard.core.events import Quantity
from fillguard.core.fitness.profiles import JurisdictionProfile
from fillguard.core.gas import GasSurface
from fillguard.core.hours import WeekTime
from fillguard.core.rules import AlarmRule, Extents, Rules, WhipRules
from fillguard.core.thresholds import Thresholds
from fillguard.core.values import GasMix, Profile
from fillguard.ports import Route
from fillguard.settings.feeds import FeedSettings
from fillguard.settings.http import HttpSettings
from fillguard.settings.panel import PanelSettings
from fillguard.settings.register import Register


@dataclass(frozen=True, slots=True, kw_only=True)
class StationSettings:
    """Where we are, and how people here read their gauges."""

    id: str
    name: str
    pressure_unit: str
    """`bar` or `psi`."""
    temperature_unit: str
    """`C` or `F`."""
    timezone: str
    profile: Profile
    ambient_abs_pa: float
    ambient_k: float
    """Assumed where no ambient sensor reports."""
    hot_allowance_pa: float | None
    """None: `full`, only the other caps count."""
    oxygen_threshold: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TlsSettings:
    """How the broker's connection is secured; None means the system's own certificates, no client certificate."""

    ca_file: Path | None
    cert_file: Path | None
    key_file: Path | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """The MQTT server."""

    host: str
    port: int
    user: str | None
    password: SecretStr | None
    tls: TlsSettings | None
    version: str
    """`auto`, `5` or `3.1.1`."""
    client_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerSettings:
    """The record."""

    path: Path
    raw_retention_s: float | None
    """None: raw readings are kept for ever."""
    anchor_channel: str | None = None
    """Gets a line with the end of the record once a day, beside the broker."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluxSettings:
    """The mirror."""

    url: str
    org: str
    bucket: str
    token: SecretStr


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSettings:
    """Where notices go."""

    name: str
    url: SecretStr
    route: Route
    deadline_s: float
    """How long one try may take before it counts as `unknown`."""
    test_at: WeekTime | None = None
    """When it is tested, local time; None: never by itself."""
    due_list_at: WeekTime | None = None
    """When it is sent the list of cylinders that are due, local time; None: never."""
    due_within_days: int = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """One configuration, whole and valid."""

    station: StationSettings
    broker: BrokerSettings
    whips: Mapping[str, WhipRules]
    gauges: Mapping[str, tuple[str, ...]]
    """Gauges that several whips share, by id: those whips."""
    channels: tuple[ChannelSettings, ...]
    ledger: LedgerSettings
    influx: InfluxSettings | None
    http: HttpSettings | None
    extents: Extents
    alarms: Mapping[str, AlarmRule] = field(repr=False)
    feeds: tuple[FeedSettings, ...]
    """Which messages of foreign sensors mean what."""
    register: Register = field(repr=False)
    """cylinders.csv: the cylinders that the ledger's own register does not know."""
    fitness: JurisdictionProfile = field(repr=False)
    """Whose rules say what may be filled: the jurisdiction's, or the shop's own stricter ones."""
    oxygen_clean_whips: Mapping[str, bool]
    """Whips of which somebody said whether they are oxygen-clean."""
    compatible_air_whips: frozenset[str]
    """Whips whose air is marked oxygen-compatible: free enough of oil to be let onto oxygen."""
    panel: PanelSettings
    """What is asked at the panel, the shop's classes of cylinder, its scanner."""
    text: str = field(repr=False)
    """Everything that is in force but the register, as JSON, defaults and overrides included, without secrets."""
    hash: str
    """SHA-256 of `text`, hexadecimal."""

    @property
    def routes(self) -> tuple[Route, ...]:
        """Which notices each channel gets."""
        return tuple(channel.route for channel in self.channels)

    @property
    def thresholds(self) -> Thresholds:
        """What of it may change while the watch runs."""
        return Thresholds(alarms=self.alarms, whips=self.whips, oxygen_threshold=self.station.oxygen_threshold)

    def rules(self, surface_of: Callable[[GasMix], GasSurface], *, station: str | None = None) -> Rules:
        """What `station.step` is told; `surface_of` gives the gas surface of a mix, `station` another station's id."""
        return Rules(
            station=station or self.station.id,
            alarms=self.alarms,
            whips=self.whips,
            gauges=self.gauges,
            extents=self.extents,
            surface_of=surface_of,
            ambient_abs_pa=self.station.ambient_abs_pa,
            ambient_k=self.station.ambient_k,
            hot_allowance_pa=self.station.hot_allowance_pa,
            oxygen_threshold=self.station.oxygen_threshold,
            asks_stamp=self.panel.asks_stamp,
            rules_hash=self.hash,
            silent_after_s=self._silent_after_s(),
        )

    def _silent_after_s(self) -> Mapping[tuple[str | None, Quantity], float]:
        """What the feeds say of each sensor's silence."""
        return {
            claim: reading.silent_after_s
            for feed in self.feeds
            for reading in feed.readings
            if reading.silent_after_s is not None
            for claim in feed.claims_of(reading)
        }
