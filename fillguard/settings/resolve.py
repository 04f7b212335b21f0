"""Checked sections to `Settings`: SI, defaults that depend on other parts, paths, secrets."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from pydantic import SecretStr

from fillguard.core.events import Quantity
from fillguard.core.fitness.profiles import JurisdictionProfile
from fillguard.core.rules import WhipRules
from fillguard.core.units import k_from_c, pa_from_bar
from fillguard.core.values import Profile
from fillguard.settings.alarms import AlarmSection
from fillguard.settings.channels import ChannelSection, unknown_names
from fillguard.settings.document import FILE, Sections, channel_place
from fillguard.settings.feeds import FeedResolver, FeedSettings
from fillguard.settings.files import read_secret
from fillguard.settings.http import SHORTEST_SECRET, HttpSection, HttpSettings, LinkSettings
from fillguard.settings.model import (
    BrokerSettings,
    ChannelSettings,
    InfluxSettings,
    LedgerSettings,
    Settings,
    StationSettings,
    TlsSettings,
)
from fillguard.settings.panel import panel_settings
from fillguard.settings.problems import HIDDEN, Problem, did_you_mean
from fillguard.settings.profiles import profile_in_force, shipped_profiles
from fillguard.settings.register import Register
from fillguard.settings.schema import Place, Section
from fillguard.settings.station import (
    BrokerSection,
    InfluxSection,
    StationSection,
    WhipSection,
)

_PLAIN_PORT, _TLS_PORT = 1883, 8883
_DAY_S = 86_400.0
_PA_PER_MBAR = 100.0


class Resolver:
    """Turns sections into settings; paths count from `folder`, problems are collected."""

    def __init__(self, folder: Path, environ: Mapping[str, str], problems: list[Problem]) -> None:
        self._folder, self._environ, self._problems = folder, environ, problems

    def settings(self, sections: Sections, alarms: Mapping[str, AlarmSection], register: Register) -> Settings | None:
        """The whole configuration, or None when there are problems, now or before."""
        known = {"whips": [whip.id for whip in sections.whips], "alarms": list(alarms)}
        channels = [self._channel(channel, known) for channel in sections.channels]
        gauges = self._gauges(sections)
        influx = self._influx(sections.influx, sections.place("influx")) if sections.influx else None
        http = self._http(sections.http, sections.place("http")) if sections.http else None
        broker = self._broker(sections.broker, sections.place("broker")) if sections.broker else None
        station, ledger, extents = sections.station, self._ledger(sections), sections.extents
        feeds = self._feeds(sections, station) if station is not None else ()
        fitness = self._fitness(sections, station) if station is not None else None
        if self._problems or station is None or broker is None or ledger is None or extents is None or fitness is None:
            return None
        text = canonical_text(sections, alarms)
        return Settings(
            station=_station(station),
            broker=replace(broker, client_id=broker.client_id or f"fillguard-{station.id}"),
            whips={whip.id: _whip(whip, station.profile, feeds) for whip in sections.whips},
            gauges=gauges,
            channels=tuple(channel for channel in channels if channel is not None),
            ledger=ledger,
            influx=influx,
            http=http,
            extents=extents.extents(),
            alarms={name: alarm.rule(name) for name, alarm in alarms.items()},
            feeds=feeds,
            register=register,
            fitness=fitness,
            panel=panel_settings(sections.panel, sections.scanner, sections.classes),
            compatible_air_whips=frozenset(whip.id for whip in sections.whips if whip.oxygen_compatible_air),
            oxygen_clean_whips={w.id: w.oxygen_clean for w in sections.whips if w.oxygen_clean is not None},
            text=text,
            hash=hashlib.sha256(text.encode()).hexdigest(),
        )

    def _gauges(self, sections: Sections) -> dict[str, tuple[str, ...]]:
        """Each whip hangs on one gauge at most; a gauge is no whip."""
        known, taken = [whip.id for whip in sections.whips], dict[str, str]()
        for gauge in sections.gauges:
            place = Place(file=FILE, label=f'[[gauge]] "{gauge.id}"')
            if gauge.id in known:
                text = "there is a [[whip]] of that id: a gauge needs a name of its own"
                self._problems.append(place.problem("id", text, gauge.id))
            for whip in gauge.whips:
                if whip not in known:
                    self._problems.append(place.problem("whips", did_you_mean(whip, known), whip))
                elif whip in taken:
                    text = f'it hangs on [[gauge]] "{taken[whip]}" already: each whip has one gauge'
                    self._problems.append(place.problem("whips", text, whip))
                taken[whip] = gauge.id
        return {gauge.id: tuple(gauge.whips) for gauge in sections.gauges}

    def _fitness(self, sections: Sections, station: StationSection) -> JurisdictionProfile | None:
        return profile_in_force(station.profile, sections.profile, sections.place("profile"), self._problems)

    def _feeds(self, sections: Sections, station: StationSection) -> tuple[FeedSettings, ...]:
        whips = [whip.id for whip in sections.whips]
        ambient_abs_pa = station.ambient_pressure_mbar * _PA_PER_MBAR
        return FeedResolver(FILE, station.id, whips, ambient_abs_pa, self._problems).feeds(sections.feeds)

    def _secret(self, place: Place, key: str, written: str) -> SecretStr | None:
        """What the file holds that `key` names; `written` is not quoted: it may be the secret itself, misplaced."""
        try:
            return SecretStr(read_secret(self._folder / written))
        except ValueError as error:
            self._problems.append(place.problem(key, str(error)))
            return None

    def _broker(self, section: BrokerSection, place: Place) -> BrokerSettings:
        return BrokerSettings(
            host=section.host,
            port=section.port or (_TLS_PORT if section.tls else _PLAIN_PORT),
            user=section.user,
            password=self._secret(place, "password_file", section.password_file) if section.password_file else None,
            tls=self._tls(section, place) if section.tls else None,
            version=section.version,
            client_id=section.client_id or "",
        )

    def _tls(self, section: BrokerSection, place: Place) -> TlsSettings:
        def path(key: str, written: str | None) -> Path | None:
            if written is None:
                return None
            if not (self._folder / written).is_file():
                text = "there is no such file; a relative path counts from the folder of station.toml"
                self._problems.append(place.problem(key, text, written))
            return self._folder / written

        return TlsSettings(
            ca_file=path("tls_ca_file", section.tls_ca_file),
            cert_file=path("tls_cert_file", section.tls_cert_file),
            key_file=path("tls_key_file", section.tls_key_file),
        )

    def _influx(self, section: InfluxSection, place: Place) -> InfluxSettings | None:
        token = self._secret(place, "token_file", section.token_file)
        if token is None:
            return None
        return InfluxSettings(url=section.url, org=section.org, bucket=section.bucket, token=token)

    def _http(self, section: HttpSection, place: Place) -> HttpSettings:
        return HttpSettings(host=section.host, port=section.port, links=self._links(section, place))

    def _links(self, section: HttpSection, place: Place) -> LinkSettings | None:
        if section.base_url is None:
            return None
        key = "link_secret_file" if section.link_secret_file else "link_secret_env"
        if section.link_secret_file is not None:
            secret = self._secret(place, key, section.link_secret_file)
        else:
            secret = SecretStr(self._environ.get(section.link_secret_env or "", "").strip())
            if not secret.get_secret_value():
                self._problems.append(place.problem(key, "the environment variable that it names is not set"))
                return None
        if secret is not None and len(secret.get_secret_value()) < SHORTEST_SECRET:
            text = f"the secret is shorter than {SHORTEST_SECRET} characters: `openssl rand -hex 32` makes one"
            self._problems.append(place.problem(key, text))
        if secret is None:
            return None
        return LinkSettings(base_url=section.base_url, secret=secret, last_s=section.links_last_min * 60.0)

    def _ledger(self, sections: Sections) -> LedgerSettings | None:
        section = sections.ledger
        if section is None:
            return None
        days, channel = section.raw_retention_days, section.anchor_channel
        known = [each.name for each in sections.channels]
        if channel is not None and channel not in known:
            self._problems.append(
                sections.place("ledger").problem("anchor_channel", did_you_mean(channel, known), channel)
            )
        return LedgerSettings(
            path=self._folder / section.path,
            raw_retention_s=None if days is None else days * _DAY_S,
            anchor_channel=channel,
        )

    def _channel(self, section: ChannelSection, known: Mapping[str, list[str]]) -> ChannelSettings | None:
        place = channel_place(section.name)
        for key, name in unknown_names(section, known):
            self._problems.append(place.problem(key, did_you_mean(name, known[key]), name))
        url = self._address(section, place)
        if url is None:
            return None
        return ChannelSettings(
            name=section.name,
            url=url,
            route=section.route(),
            deadline_s=section.deadline_s,
            test_at=section.test_time(),
            due_list_at=section.due_list_time(),
            due_within_days=section.due_within_days,
        )

    def _address(self, section: ChannelSection, place: Place) -> SecretStr | None:
        """The channel's address from wherever it stands."""
        if section.url is not None:
            return SecretStr(section.url)
        if section.url_file is not None:
            return self._secret(place, "url_file", section.url_file)
        url = self._environ.get(section.url_env or "", "").strip()
        if not url:
            self._problems.append(place.problem("url_env", "the environment variable that it names is not set"))
            return None
        return SecretStr(url)


def canonical_text(sections: Sections, alarms: Mapping[str, AlarmSection]) -> str:
    """Everything in force as JSON in one fixed form: sorted, defaults included, no secret."""

    def tables(items: Iterable[Section]) -> list[dict[str, object]]:
        return [item.model_dump(mode="json") for item in items]

    single = {
        "station": sections.station,
        "broker": sections.broker,
        "ledger": sections.ledger,
        "influx": sections.influx,
        "http": sections.http,
        "extents": sections.extents,
        "profile": sections.profile,
        "panel": sections.panel,
        "scanner": sections.scanner,
    }
    channels = tables(sections.channels)
    for channel in channels:
        channel["url"] = None if channel["url"] is None else HIDDEN
    content = {
        **{name: table.model_dump(mode="json") for name, table in single.items() if table is not None},
        "whip": tables(sections.whips),
        "gauge": tables(sections.gauges),
        "channel": channels,
        "feed": list(sections.feeds),
        "class": tables(sections.classes),
        "alarms": {name: alarm.model_dump(mode="json") for name, alarm in alarms.items()},
    }
    return json_text(content)


def json_text(content: Mapping[str, object]) -> str:
    """`content` in the one fixed form."""
    return json.dumps(content, ensure_ascii=False, sort_keys=True, indent=1, default=str)


def _station(section: StationSection) -> StationSettings:
    allowance = section.hot_allowance_bar
    return StationSettings(
        id=section.id,
        name=section.name,
        pressure_unit=section.pressure_unit,
        temperature_unit=section.temperature_unit,
        timezone=section.timezone,
        profile=Profile(section.profile),
        ambient_abs_pa=section.ambient_pressure_mbar * _PA_PER_MBAR,
        ambient_k=k_from_c(section.ambient_default_c),
        hot_allowance_pa=None if allowance == "full" else pa_from_bar(allowance),
        oxygen_threshold=section.oxygen_threshold,
    )


def _whip(section: WhipSection, profile: str, feeds: Iterable[FeedSettings]) -> WhipRules:
    reference_c = section.lowest_rating_reference_c
    gauge = (section.id, Quantity.PRESSURE)
    silent_after_s = (
        reading.silent_after_s for feed in feeds for reading in feed.readings if gauge in feed.claims_of(reading)
    )
    return WhipRules(
        whip=section.id,
        max_working_gauge_pa=pa_from_bar(section.max_working_bar),
        lowest_rating_gauge_pa=pa_from_bar(section.lowest_rating_bar),
        lowest_rating_reference_k=k_from_c(
            shipped_profiles()[profile].reference_c if reference_c is None else reference_c
        ),
        safety_valve_gauge_pa=_pa(section.safety_valve_bar),
        supply_end_gauge_pa=_pa(section.supply_end_bar),
        silent_after_s=next(silent_after_s, None),
    )


def _pa(bar: float | None) -> float | None:
    return None if bar is None else pa_from_bar(bar)
