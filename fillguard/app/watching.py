"""The running watch: every part built, wired, started in order and stopped in order."""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial

from fillguard import __version__
from fillguard.app import owing
from fillguard.app.authors import Author
from fillguard.app.calibrations import Calibrations
from fillguard.app.canary import Canary
from fillguard.app.counter import Counter
from fillguard.app.folding import shown_anew
from fillguard.app.gases import Gases
from fillguard.app.keeping import Snapshots
from fillguard.app.learning import remembered
from fillguard.app.mirroring import NAME as MIRROR
from fillguard.app.observing import Observing
from fillguard.app.parts import anchor_notes, mirror_of, station_status
from fillguard.app.reloading import Reloading
from fillguard.app.replaying import units_of
from fillguard.app.resuming import LeftBehind, left_behind
from fillguard.app.services import Report, Services
from fillguard.app.speech import Speech, plans
from fillguard.app.stationlog import Needles
from fillguard.app.supervisor import Supervisor
from fillguard.app.valves import ValveNotes
from fillguard.app.zeros import with_zeros
from fillguard.clock import clock_status, monotonic_s
from fillguard.core.events import Tick
from fillguard.core.fitness.needle import Needle
from fillguard.engine import Engine, Inbox, Stepper
from fillguard.intake.canary import canary_topic
from fillguard.intake.mqtt import MqttLink
from fillguard.intake.station import StationDecoder
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.states import code
from fillguard.ledger.store import Owner
from fillguard.ledger.tending import Tending
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.outlets.apprise import senders
from fillguard.outlets.delivery import Delivery, Sender
from fillguard.outlets.findings import FindingCounts
from fillguard.outlets.mqtt import MqttOutlet
from fillguard.outlets.notifying import Notifier
from fillguard.outlets.planning import Planner
from fillguard.ports import AuditEntry, Clock, Outlet, OwedNotice, Publication, Route, StepRecord, sent_cursor
from fillguard.settings import Settings

_ENGINE_WITHIN_S = 2.0
_CHANNELS_WITHIN_S = 1.5
_MIRROR_WITHIN_S = 1.0
_LEDGER_WITHIN_S = 5.0
HEARD_LAST = 8192
"""Recorded readings that the decoder takes over: what the broker sends again is known, and how old it is."""


class Watching:
    """The watch over one station. Built whole; nothing runs before `start`.

    Args:
        settings: The configuration in force.
        clock: The machine's, or a drill's.
        drill: Everything is practice and says so; needs a ledger of its own.
        report: Hears what the log should hold.
        also: More outlets, told after the broker's.
        supervisor: Who started us and restarts what is stuck; None: nobody.

    Raises:
        LedgerLocked: Another fillguard holds the ledger.
        LedgerError: The ledger cannot be used.
        ConfigurationError: A channel's address or the broker's certificates cannot be used.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock,
        drill: bool = False,
        report: Report,
        also: Sequence[Outlet] = (),
        supervisor: Supervisor | None = None,
    ) -> None:
        self.settings, self._clock, self._drill, self._report = settings, clock, drill, report
        self.died = threading.Event()
        """Set when the engine ended without being asked to: the process must end, so that somebody restarts it."""
        self.inbox = Inbox()
        supervisor = supervisor or Supervisor({})
        self.services = Services(self.inbox, clock, report, on_taken_over=supervisor.stand_down)
        self.rules = settings.rules(Gases(report=partial(report, ok=False)).surface_of)
        self.speech = Speech(settings=settings, rules=self.rules, units=units_of(settings), drill=drill)
        channels = senders(settings.channels)
        self.status = station_status(settings, clock, drill=drill)
        self.anchors = anchor_notes(
            settings, channels, publish=self._publish, trail=lambda: self.ledger, clock=clock, drill=drill
        )
        self.ledger = self._ledger()
        self._snapshots = Snapshots(self.ledger)
        try:
            self._left = self._left_behind()
            self.link, self.decoder = self._link()
        except BaseException:
            self.ledger.stop(0.0)  # lets go of its lock
            raise
        self.delivery = self._delivery(channels)
        self.notifier, self.planner = self._notifier()
        self._wire(supervisor, also)
        self.engine = self._engine()
        self._thread = threading.Thread(target=self._run_engine, name="engine", daemon=True)

    def _wire(self, supervisor: Supervisor, also: Sequence[Outlet]) -> None:
        """What hears of each step, in this order, and what goes on beside."""
        settings, clock = self.settings, self._clock
        self.mirror = mirror_of(
            settings,
            open_source=self._reader,
            progress=self.ledger,
            clock=clock,
            on_health=partial(self.services.changed, "mirror"),
        )
        self.outlet, self.reloading = self._outlet(), self._reloading()
        self.calibrations = Calibrations(settings, clock=clock, tell=self.services.tell)
        self.canary = self._canary(supervisor.feed)
        self.findings, self.observing = FindingCounts(), self._observing()
        valves = ValveNotes(self._counter.record, self.ledger)
        own: tuple[Outlet, ...] = (self.reloading, self.outlet, self.canary, valves, self.findings)
        self._outlets = (*own, *self.observing.outlets, *also)

    def start(self, author: Author | None = None) -> None:
        """Begin to watch. `author`: who changed the thresholds last, if anybody said."""
        self.ledger.start()
        begun = {"version": __version__, "code": code()}
        entry = AuditEntry(at=self._clock.now(), who="fillguard", action="started", detail=__version__, data=begun)
        self.ledger.put_audit(entry)
        self.reloading.begin(self._last_config, author)
        self._resume()
        self.delivery.start()
        self.planner.start()
        if self.mirror is not None:
            self.mirror.start()
        self._thread.start()
        self.calibrations.start()
        self.link.start(sign=self.status, greet=self._greet)
        self.canary.start()
        self.observing.start(self)

    def _publish(self, publication: Publication) -> None:
        """For parts that the link is built from, or after."""
        self.link.publish(publication)

    def _greet(self) -> None:
        self.outlet.greet()
        self.anchors.greet()

    def stop(self) -> int:
        """Stop in order; returns how many entries were not recorded.

        The engine first: what came before is still judged, told and recorded. What comes later stays unacknowledged
        with the broker. Then we say farewell, so that nobody takes silence for peace, and let the record catch up.
        """
        self.services.leaving()
        self.observing.stop()
        self.calibrations.stop()
        self.canary.stop()
        self.engine.stop()
        if self._thread.ident is not None:
            self._thread.join(_ENGINE_WITHIN_S)
            if not self._thread.is_alive():
                self._snapshots.all(self.engine.stepper.state, self._clock.now())
        self.link.stop()
        self.planner.stop()
        for channel in self.delivery.stop(_CHANNELS_WITHIN_S):
            self._report(
                f"channel {channel} still hangs: its notice stays owed and goes out at the next start", ok=False
            )
        if self.mirror is not None and not self.mirror.stop(_MIRROR_WITHIN_S):
            self._report("the mirror still hangs: it goes on from its cursor at the next start", ok=False)
        return self.ledger.stop(_LEDGER_WITHIN_S)

    def _take_over(self, settings: Settings) -> None:
        """Other thresholds, words and routes are in force from this step on. On the engine's thread."""
        self.settings, self.rules = settings, self.engine.stepper.rules
        self.speech.settings, self.speech.rules = settings, self.rules
        self._counter.take_over(settings, self.rules)
        self.decoder.take_over(settings.whips)

    def _run_engine(self) -> None:
        try:
            self.engine.run()
        except BaseException as error:
            # Not even "monitoring lost" could be raised: say so at once and let the process end, to be restarted.
            self._report(f"the watch itself failed: {type(error).__name__}: {error}", ok=False)
            self.link.publish(self.status.farewell())
            self.died.set()
            raise

    def _left_behind(self) -> LeftBehind:
        with self._reader() as reader:
            known = remembered(reader)
            self._last_config = reader.last_config()
            self.rules = replace(self.rules, learned=known.learned)
            left = left_behind(reader, self.rules, self._clock.now())
            self._heard = tuple(reader.past.newest_readings(HEARD_LAST))
            resumed = replace(left.state, endings=known.endings, warm=known.warm, visited=known.visited)
            state = with_zeros(resumed, reader, self._clock.now())
            return replace(left, state=state, told=(*left.told, *known.told))

    def _resume(self) -> None:
        """Go on with what an earlier run left, close what is too old for that, and show what it left standing."""
        now = self._clock.now()
        self._snapshots.all(self._left.state, now)  # first: what is recorded from now on follows from these states
        for whip in self._left.taken_up.whips.values():
            cause, shown = shown_anew(whip, now)
            self.outlet.tell(cause, shown)
            if whip.fill is not None:
                self._goes_on(whip.fill.fill_id)
        for change in self._left.standing:
            self.outlet.remember(change)
        for fact in self._left.facts:
            cause = Tick(stamp=now)
            for outlet in self._outlets:
                outlet.tell(cause, (fact,))
            self.ledger.put(StepRecord(cause=cause, facts=(fact,), owed=self.notifier.notices(cause, (fact,))))
        for event in self._left.attached:
            self.inbox.put(event)
        for text in self._left.told:
            self._report(text, ok=False)

    def _goes_on(self, fill_id: str) -> None:
        said = self._left.taken_up.said(fill_id)
        self._report(said)
        self.ledger.put_audit(
            AuditEntry(at=self._clock.now(), who="fillguard", action="resumed", subject=fill_id, detail=said)
        )

    # the parts ----------------------------------------------------------------------------------------------------

    def _link(self) -> tuple[MqttLink, StationDecoder]:
        settings = self.settings
        counter = self._counter = Counter(settings, self.rules)
        decoder = StationDecoder(
            settings,
            whips=settings.whips or None,
            register=counter.cylinder,
            assess=counter.received,
            ask=self._publish,
        )
        link = MqttLink(
            settings.broker,
            clock=self._clock,
            monotonic=monotonic_s,
            filters=(*decoder.subscriptions, canary_topic(settings.station.id)),
            offer=self.inbox.offer,
            has_room=self.inbox.has_room,
            tell=self.services.on_link,
            expects_session=self._left.in_mid_fill,
        )
        now = self._clock.now()
        for reading in self._heard:
            decoder.remember(reading, now)
        return link, decoder

    def _ledger(self) -> SqliteLedgerWriter:
        return SqliteLedgerWriter(
            self.settings.ledger.path,
            Owner(station=self.settings.station.id, drill=self._drill),
            self._clock,
            on_health=partial(self.services.changed, "ledger"),
            tending=Tending(
                raw_retention_s=self.settings.ledger.raw_retention_s,
                mirror=sent_cursor(MIRROR, "reading") if self.settings.influx is not None else None,
                on_anchor=self.anchors.noted,
                clock_status=clock_status,
            ),
        )

    def _delivery(self, channels: Mapping[str, Sender]) -> Delivery:
        delivery = Delivery(
            channels,
            open_source=self._reader,
            writer=self.ledger,
            clock=self._clock,
            on_health=lambda channel, ok, detail: self.services.changed(f"channel:{channel}", ok, detail),
            zone=self.speech.zone,
        )
        self.ledger.subscribe(delivery.owed)
        return delivery

    def _notifier(self) -> tuple[Notifier, Planner]:
        station, zone = self.settings.station.id, self.speech.zone
        notifier = Notifier(self._routes, self.speech, station=station, zone=zone)
        with self._reader() as reader:
            owing.resume(notifier, reader, self._clock.now())
        planner = Planner(
            tuple(plans(self.speech)),
            station=station,
            zone=zone,
            clock=self._clock,
            owe=self._owe,
            report=partial(self._report, ok=False),
        )
        return notifier, planner

    def _routes(self) -> Sequence[Route]:
        """Those in force, of channels that can be delivered to: a new one begins at the next start."""
        known = self.delivery.channels
        return [route for route in self.speech.settings.routes if route.channel in known]

    def _owe(self, notice: OwedNotice) -> None:
        """A notice that follows from no step."""
        if not self.ledger.healthy():
            self.delivery.send_unrecorded(notice)
            return
        self.ledger.put(StepRecord(cause=Tick(stamp=self._clock.now()), facts=(), owed=(notice,)))

    def _outlet(self) -> MqttOutlet:
        return MqttOutlet(
            self.link.publish,
            station=self.settings.station.id,
            status=self.status,
            text=self.speech.text,
            action=self.speech.action,
            real_seconds=self._clock.real_seconds,
            recorded=lambda: None if self.ledger.healthy() else False,
            needle=partial(self._needle_of, Needles(self.settings.ledger.path)),
        )

    def _needle_of(self, needles: Needles, whip: str) -> Needle | None:
        return needles.of(whip, self._clock.now())

    def _reloading(self) -> Reloading:
        return Reloading(
            self.settings,
            clock=self._clock,
            inbox=self.inbox,
            ledger=self.ledger,
            publish=self.link.publish,
            take_over=self._take_over,
            report=self._report,
        )

    def _canary(self, feed: Callable[[], None]) -> Canary:
        return Canary(
            station=self.settings.station.id,
            instance=self.status.instance,
            publish=self.link.publish,
            monotonic=monotonic_s,
            on_health=self.services.on_canary,
            feed=feed,
        )

    def _observing(self) -> Observing:
        return Observing(
            self.settings,
            clock=self._clock,
            inbox=self.inbox,
            state=lambda: self.engine.published,
            drill=self._drill,
        )

    def _engine(self) -> Engine:
        return Engine(
            stepper=Stepper(self.rules, self._left.state),
            clock=self._clock,
            decoder=self.decoder,
            outlets=self._outlets,
            ledger=self.ledger,
            notices=self.observing.with_links(self.notifier.notices),
            inbox=self.inbox,
            unrecorded=self.delivery.send_unrecorded,
            after=self._snapshots.after,
            stopwatch=self.observing.steps.begin,
        )

    def _reader(self) -> SqliteLedgerReader:
        return SqliteLedgerReader(self.settings.ledger.path)
