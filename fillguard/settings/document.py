"""station.toml as a whole: its tables, each checked by itself, the environment's overrides laid over them."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from fillguard.settings.channels import ChannelSection
from fillguard.settings.environment import overlay
from fillguard.settings.http import HttpSection
from fillguard.settings.panel import ClassSection, PanelSection, ScannerSection
from fillguard.settings.problems import Problem, did_you_mean
from fillguard.settings.profiles import ProfileSection
from fillguard.settings.schema import Place, S, Section, validated
from fillguard.settings.station import (
    BrokerSection,
    ExtentsSection,
    GaugeSection,
    InfluxSection,
    LedgerSection,
    StationSection,
    WhipSection,
)

FILE = "station.toml"
_TABLES: Mapping[str, type[Section]] = {
    "station": StationSection,
    "broker": BrokerSection,
    "ledger": LedgerSection,
    "influx": InfluxSection,
    "http": HttpSection,
    "extents": ExtentsSection,
    "profile": ProfileSection,
    "panel": PanelSection,
    "scanner": ScannerSection,
}
_LISTS = ("whip", "gauge", "channel", "feed", "class")
_CHANNEL_SECRETS = frozenset({"url", "url_file", "url_env"})
"""A password easily lands in any of these, so none is ever quoted."""
_FILES_OF_SECRETS = frozenset({"password_file", "token_file", "link_secret_file", "link_secret_env"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Sections:
    """What station.toml says, in its own units; None where a table is wrong, or need not be there and is not."""

    station: StationSection | None
    broker: BrokerSection | None
    ledger: LedgerSection | None
    extents: ExtentsSection | None
    influx: InfluxSection | None
    http: HttpSection | None
    profile: ProfileSection | None
    whips: tuple[WhipSection, ...]
    gauges: tuple[GaugeSection, ...]
    channels: tuple[ChannelSection, ...]
    panel: PanelSection | None
    scanner: ScannerSection | None
    classes: tuple[ClassSection, ...]
    feeds: tuple[Mapping[str, object], ...]
    """As written: what a feed says depends on the station and its whips."""
    overrides: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """Table -> key -> the environment variable that set it."""

    def place(self, table: str) -> Place:
        """Where the keys of a single table stand."""
        return _place(table, self.overrides)


def _place(table: str, overrides: Mapping[str, Mapping[str, str]]) -> Place:
    return Place(file=FILE, label=f"[{table}]", secret_keys=_FILES_OF_SECRETS, overrides=overrides.get(table, {}))


def channel_place(name: object) -> Place:
    """Where the keys of the channel called `name` stand."""
    return Place(file=FILE, label=f'[[channel]] "{name}"', secret_keys=_CHANNEL_SECRETS)


def read_document(document: Mapping[str, object], environ: Mapping[str, str], problems: list[Problem]) -> Sections:
    """The tables of station.toml; everything wrong with them, or with `environ`, is appended to `problems`."""
    for name in document:
        if name not in _TABLES and name not in _LISTS:
            text = f"unknown table; {did_you_mean(name, (*_TABLES, *_LISTS))}"
            problems.append(Problem(file=FILE, key=f"[{name}]", value=None, text=text))
    tables = {name: _table(document, name, problems) for name in _TABLES if name in document}
    overrides = overlay(tables, _TABLES, environ, problems)

    def section(name: str, model: type[S]) -> S | None:
        return validated(model, tables.get(name, {}), _place(name, overrides), problems)

    return Sections(
        station=section("station", StationSection),
        broker=section("broker", BrokerSection),
        ledger=section("ledger", LedgerSection),
        extents=section("extents", ExtentsSection),
        influx=section("influx", InfluxSection) if "influx" in tables else None,
        http=section("http", HttpSection) if "http" in tables else None,
        profile=section("profile", ProfileSection) if "profile" in tables else None,
        whips=tuple(_items(WhipSection, document, "whip", "id", problems)),
        gauges=tuple(_items(GaugeSection, document, "gauge", "id", problems)),
        channels=tuple(_items(ChannelSection, document, "channel", "name", problems)),
        panel=section("panel", PanelSection),
        scanner=section("scanner", ScannerSection),
        classes=tuple(_items(ClassSection, document, "class", "name", problems)),
        feeds=tuple(_list(document, "feed", problems)),
        overrides=overrides,
    )


def _table(document: Mapping[str, object], name: str, problems: list[Problem]) -> dict[str, object]:
    table = document[name]
    if isinstance(table, dict):
        return dict(table)
    text = f"there is one {name}: write [{name}] with single brackets above its keys"
    problems.append(Problem(file=FILE, key=f"[{name}]", value=None, text=text))
    return {}


def _list(document: Mapping[str, object], name: str, problems: list[Problem]) -> Sequence[Mapping[str, object]]:
    tables = document.get(name, [])
    if isinstance(tables, list) and all(isinstance(table, dict) for table in tables):
        return tables
    text = f"there may be several: write [[{name}]] with double brackets above the keys of each {name}"
    problems.append(Problem(file=FILE, key=f"[{name}]", value=None, text=text))
    return ()


def _items(model: type[S], document: Mapping[str, object], name: str, key: str, problems: list[Problem]) -> Iterator[S]:
    """The tables of `[[name]]`, each known by its `key`."""
    seen: set[object] = set()
    for number, table in enumerate(_list(document, name, problems), start=1):
        called = table.get(key, f"no. {number}")
        place = channel_place(called) if model is ChannelSection else Place(file=FILE, label=f'[[{name}]] "{called}"')
        item = validated(model, table, place, problems)
        if item is None:
            continue
        if table[key] in seen:
            problems.append(place.problem(key, f"another [[{name}]] has it already: each needs its own", table[key]))
        seen.add(table[key])
        yield item
