"""The watch as others see it over HTTP: counted as it goes, answered on threads of its own. Off unless configured."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from fillguard.app.linking import LinkDesk
from fillguard.app.metering import Meter, Parts, StepTimes, Tally
from fillguard.app.serving import looks
from fillguard.clock import monotonic_s
from fillguard.core.station import StationState
from fillguard.engine import Inbox, Notices
from fillguard.ledger.census import CensusTaker
from fillguard.outlets.links import Links
from fillguard.outlets.web import WebServer
from fillguard.ports import Clock, Outlet
from fillguard.settings import Settings

if TYPE_CHECKING:
    from fillguard.app.watching import Watching


SERVICE = "channel:http"


class Observing:
    """What `[http]` asks for; without it nothing is counted and nothing listens."""

    def __init__(
        self, settings: Settings, *, clock: Clock, inbox: Inbox, state: Callable[[], StationState], drill: bool
    ) -> None:
        self._settings, self._clock, self._drill = settings, clock, drill
        self.tally, self.steps = Tally(), StepTimes(monotonic_s)
        self._state = state
        self.server: WebServer | None = None
        wanted = settings.http.links if settings.http is not None else None
        self._desk: LinkDesk | None = None
        if wanted is not None:
            self._desk = LinkDesk(
                Links(
                    base_url=wanted.base_url,
                    secret=wanted.secret.get_secret_value(),
                    last_s=wanted.last_s,
                    station=settings.station.id,
                ),
                station_name=settings.station.name,
                drill=drill,
                clock=clock,
                inbox=inbox,
                state=state,
            )

    @property
    def outlets(self) -> tuple[Outlet, ...]:
        """What hears of each step."""
        if self._settings.http is None:
            return ()
        return (self.tally,) if self._desk is None else (self.tally, self._desk)

    def with_links(self, notices: Notices) -> Notices:
        """`notices` with links, where links are wanted."""
        return notices if self._desk is None else self._desk.with_links(notices)

    def start(self, watching: "Watching") -> None:
        """Listen, after the watch has begun. An address that cannot be had is an alarm, not the end of the watch."""
        http = self._settings.http
        if http is None:
            return
        parts = self._parts(watching)
        meter = Meter(parts, self.tally, self.steps)
        meter.begin()
        routes = {**looks(parts, meter, self.steps), **(self._desk.routes if self._desk is not None else {})}
        try:
            self.server = WebServer(http.host, http.port, routes)
        except OSError as problem:
            detail = f"[http] {http.host} port {http.port} cannot be had: {problem.strerror or problem}"
            watching.services.changed(SERVICE, ok=False, detail=detail)
            return
        self.server.start()

    def stop(self) -> None:
        """Listen no more."""
        if self.server is not None:
            self.server.stop()

    def _parts(self, watching: "Watching") -> Parts:
        decoder, link, ledger, mirror = watching.decoder, watching.link, watching.ledger, watching.mirror
        return Parts(
            station=self._settings.station.id,
            drill=self._drill,
            clock=self._clock,
            state=self._state,
            rules_hash=lambda: watching.settings.hash,
            findings=watching.findings.counts,
            rejected=lambda: [(r.kind, r.reason, r.count) for r in decoder.rejections()],
            missed=lambda: sum(decoder.missed().values()),
            dropped=lambda: link.dropped,
            unsent=lambda: link.unsent,
            queued=lambda: len(watching.inbox),
            unwritten=lambda: ledger.waiting,
            link_up=lambda: watching.services.link_up,
            ledger_ok=ledger.healthy,
            mirror_lag=lambda: None if mirror is None else mirror.lag,
            open_census=lambda: CensusTaker(self._settings.ledger.path),
            canary=watching.canary,
        )
