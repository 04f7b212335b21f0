"""The running watch: every part built, wired, started in order and stopped in order."""

import threading
import uuid
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from fillguard import __version__
from fillguard.app.gases import Gases
from fillguard.app.replaying import units_of
from fillguard.clock import monotonic_s
from fillguard.core.alarms import Standing
from fillguard.core.events import AlarmChanged, FillEnded, FillStarted, FillSummary, Outcome, ServiceChanged, Tick
from fillguard.core.rules import Rules
from fillguard.core.station import StationState
from fillguard.core.whip import WhipState
from fillguard.core.words import Notice, UnitChoice, alarm_text, notice
from fillguard.engine import Engine, Inbox, Stepper
from fillguard.intake.feeds import DefaultDecoder
from fillguard.intake.mqtt import LinkNews, MqttLink
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.store import Owner
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.outlets.apprise import AppriseSender
from fillguard.outlets.delivery import Delivery
from fillguard.outlets.mqtt import MqttOutlet
from fillguard.outlets.routing import owed
from fillguard.outlets.status import StationStatus
from fillguard.ports import Clock, ConfigInForce, Outlet, StepRecord
from fillguard.settings import Settings

if TYPE_CHECKING:
    from fillguard.outlets.influx import InfluxMirror

_STOP_WITHIN_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Speech:
    """What is said of an alarm, in this station's units and time."""

    settings: Settings
    rules: Rules
    units: UnitChoice
    drill: bool

    def text(self, change: AlarmChanged) -> str:
        """One paragraph for MQTT and board."""
        return alarm_text(change, self.rules.alarms[change.alarm], self.units)

    def action(self, change: AlarmChanged) -> str:
        """What to do, as in the alarm's record."""
        return self.rules.alarms[change.alarm].action

    def notice(self, change: AlarmChanged) -> Notice:
        """Title and body for a channel."""
        station = self.settings.station
        raised = datetime.fromtimestamp(change.raised_utc_s, ZoneInfo(station.timezone))
        return notice(
            change,
            self.rules.alarms[change.alarm],
            self.units,
            station_name=station.name,
            time_text=f"{raised:%Y-%m-%d %H:%M:%S %Z}",
            drill=self.drill,
        )


class Watching:
    """The watch over one station."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock,
        drill: bool = False,
        report: Callable[[str], None],
        also: Sequence[Outlet] = (),
    ) -> None:
        """Build everything; nothing runs yet.

        Args:
            settings: The configuration in force.
            clock: The machine's, or a drill's.
            drill: Everything is practice and says so; needs a ledger of its own.
            report: Hears what the log should hold; from any thread, must not block.
            also: More outlets, told after the broker's.

        Raises:
            LedgerLocked: Another fillguard holds the ledger.
            LedgerError: The ledger cannot be used.
            ConfigurationError: A channel's address cannot be used.
        """
        self.settings, self._clock, self._report = settings, clock, report
        self.inbox = Inbox()
        self.rules = settings.rules(Gases(report=report).surface_of)
        self.speech = Speech(settings=settings, rules=self.rules, units=units_of(settings), drill=drill)
        senders = {c.name: AppriseSender(c.name, c.url, c.deadline_s) for c in settings.channels}
        owner = Owner(station=settings.station.id, drill=drill)
        self.ledger = SqliteLedgerWriter(
            settings.ledger.path, owner, clock, on_health=lambda ok, detail: self._service("ledger", ok, detail)
        )
        self.delivery = Delivery(
            senders,
            open_source=self._reader,
            writer=self.ledger,
            clock=clock,
            on_health=lambda channel, ok, detail: self._service(f"channel:{channel}", ok, detail),
        )
        self.ledger.subscribe(self.delivery.owed)
        self.decoder = DefaultDecoder(
            settings.station.id,
            register=settings.register,
            whips=frozenset(settings.whips) or None,
            ambient_abs_pa=settings.station.ambient_abs_pa,
            live_for_s=settings.extents.live_for_s,
        )
        self.link = MqttLink(
            settings.broker,
            clock=clock,
            monotonic=monotonic_s,
            filters=self.decoder.subscriptions,
            offer=self.inbox.offer,
            tell=self._on_link,
        )
        self.status = StationStatus(
            station=settings.station.id,
            instance=uuid.uuid4().hex,
            version=__version__,
            started_utc_s=clock.now().utc_s,
            drill=drill,
        )
        self.outlet = MqttOutlet(
            self.link.publish,
            station=settings.station.id,
            status=self.status,
            text=self.speech.text,
            action=self.speech.action,
            real_seconds=clock.real_seconds,
            recorded=lambda: None if self.ledger.healthy() else False,
        )
        self.mirror = self._mirror()
        self.engine = Engine(
            stepper=Stepper(self.rules, self._first_state()),
            clock=clock,
            decoder=self.decoder,
            outlets=(self.outlet, *also),
            ledger=self.ledger,
            routes=lambda change: owed(change, settings.routes, self.speech.notice),
            inbox=self.inbox,
            unrecorded=self.delivery.send_unrecorded,
        )
        self._thread = threading.Thread(target=self._run_engine, name="engine", daemon=True)
        self.died = threading.Event()
        """Set when the engine ended without being asked to: the process must end, so that somebody restarts it."""

    def start(self) -> None:
        """Begin to watch."""
        self.ledger.start()
        self.ledger.put_config(
            ConfigInForce(
                at=self._clock.now(),
                config_hash=self.settings.hash,
                text=self.settings.text,
                who="fillguard",
                why="start",
            )
        )
        self._close_interrupted()
        self.delivery.start()
        if self.mirror is not None:
            self.mirror.start()
        self._thread.start()
        self.link.start(sign=self.status, greet=self.outlet.greet)

    def stop(self) -> int:
        """Stop in order: intake, engine, channels, ledger. Returns how many entries were not recorded."""
        self.link.stop()
        self.engine.stop()
        if self._thread.ident is not None:
            self._thread.join(_STOP_WITHIN_S)
        with ExitStack() as stack:
            if self.mirror is not None:
                stack.callback(self.mirror.stop, _STOP_WITHIN_S / 5.0)
            hanging = self.delivery.stop(_STOP_WITHIN_S / 5.0)
        for channel in hanging:
            self._report(f"channel {channel} still hangs; its notice stays owed and goes out at the next start")
        return self.ledger.stop(_STOP_WITHIN_S / 2.0)

    def _run_engine(self) -> None:
        try:
            self.engine.run()
        except BaseException as error:
            # Not even "monitoring lost" could be raised: say so at once and let the process end, to be restarted.
            self._report(f"the watch itself failed: {type(error).__name__}: {error}")
            self.link.publish(self.status.farewell())
            self.died.set()
            raise

    def _reader(self) -> SqliteLedgerReader:
        return SqliteLedgerReader(self.settings.ledger.path)

    def _mirror(self) -> "InfluxMirror | None":
        influx = self.settings.influx
        if influx is None:
            return None
        from fillguard.outlets.influx import InfluxMirror  # noqa: PLC0415 - its client costs 40 MB

        return InfluxMirror(
            influx,
            station=self.settings.station.id,
            open_source=self._reader,
            progress=self.ledger,
            clock=self._clock,
            on_health=lambda ok, detail: self._service("mirror", ok, detail),
        )

    def _service(self, service: str, ok: bool, detail: str) -> None:  # noqa: FBT001 - the order listeners are called in
        self._report(f"{service}: {'works again' if ok else 'fails'}: {detail}")
        self._tell(service, detail, ok=ok)

    def _tell(self, service: str, detail: str, *, ok: bool) -> None:
        self.inbox.put(ServiceChanged(stamp=self._clock.now(), service=service, ok=ok, detail=detail))

    def _on_link(self, news: LinkNews, detail: str) -> None:
        self._report(f"broker: {news.value}: {detail}")
        match news:
            case LinkNews.UP:
                self._tell("broker", detail, ok=True)
                self._tell("intake", detail, ok=True)
            case LinkNews.DOWN:
                self._tell("broker", detail, ok=False)
            case LinkNews.SUBSCRIPTION_REFUSED | LinkNews.TAKEN_OVER:
                self._tell("intake", detail, ok=False)
            case LinkNews.DROPPED | LinkNews.GAP_POSSIBLE:
                # An event with no end of its own: raised and returned, so that the next one is announced again.
                self._tell("drops", detail, ok=False)
                self._tell("drops", detail, ok=True)
            case LinkNews.PUBLICATION_REFUSED:
                self._tell("channel:mqtt", detail, ok=False)

    def _first_state(self) -> StationState:
        """The state to begin with: occurrence numbers go on where the record left off, so that none is used twice."""
        with self._reader() as reader:
            numbers = reader.last_occurrences()
        station = self.settings.station.id
        whips = {
            whip: WhipState(whip=whip, standings=_numbered(numbers, f"{station}-{whip}/"))
            for whip in self.settings.whips
        }
        return StationState(whips=whips, standings=_numbered(numbers, f"{station}/"))

    def _close_interrupted(self) -> None:
        """A fill that an earlier run left open is closed as interrupted with its last known state, never forgotten."""
        now = self._clock.now()
        with self._reader() as reader:
            for opened in reader.open_fills():
                summary = _interrupted(opened, reader)
                self._report(f"fill {opened.fill_id} was open when the last run ended: closed as interrupted")
                cause = Tick(stamp=now)
                self.ledger.put(StepRecord(cause=cause, facts=(FillEnded(stamp=now, summary=summary),)))


def _numbered(numbers: dict[str, int], prefix: str) -> dict[str, Standing]:
    return {
        key.removeprefix(prefix): Standing(occurrence_n=number)
        for key, number in numbers.items()
        if key.startswith(prefix)
    }


def _interrupted(opened: FillStarted, reader: SqliteLedgerReader) -> FillSummary:
    projections = list(reader.fill_projections(opened.fill_id))
    sure = next((p for p in reversed(projections) if p.settled_gauge_pa is not None), None)
    alarms = tuple(dict.fromkeys(change.alarm for change in reader.fill_alarms(opened.fill_id)))
    gauges = [p.gauge_pa for p in projections if p.gauge_pa is not None]
    rates = [p.rate_pa_s for p in projections if p.rate_pa_s is not None]
    gases = [p.gas_k for p in projections if p.gas_k is not None]
    return FillSummary(
        fill_id=opened.fill_id,
        station=opened.station,
        whip=opened.whip,
        serial=opened.serial,
        operator=opened.operator,
        gas=opened.gas,
        cylinder=opened.cylinder,
        started_s=opened.started_s,
        flow_stopped_s=None,
        ended_s=None,
        outcome=Outcome.INTERRUPTED,
        start_gauge_pa=opened.start_gauge_pa,
        plateau_seen=opened.plateau_seen,
        close_gauge_pa=None,
        settled_gauge_pa=None,
        settled_low_gauge_pa=None,
        settled_high_gauge_pa=None,
        final_settled_gauge_pa=sure.settled_gauge_pa if sure else None,
        final_settled_low_gauge_pa=sure.settled_low_gauge_pa if sure else None,
        final_settled_high_gauge_pa=sure.settled_high_gauge_pa if sure else None,
        reference_k=opened.reference_k,
        limit_gauge_pa=opened.limit_gauge_pa,
        target_gauge_pa=opened.target_gauge_pa,
        peak_rate_pa_s=max(rates, default=None),
        peak_gauge_pa=max([opened.start_gauge_pa, *gauges]),
        gas_k_max=max(gases, default=None),
        alarms=alarms,
        findings=(),
        readings=len(projections),
        doubtful_readings=0,
    )
