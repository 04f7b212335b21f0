"""What works and what does not, around the watch and in it: as events of the station and as lines of the log."""

from collections.abc import Callable

from fillguard.app.canary import SERVICE as CANARY
from fillguard.core.events import ServiceChanged
from fillguard.engine import Inbox
from fillguard.intake.mqtt import LinkNews
from fillguard.ports import Clock

Report = Callable[..., None]
"""Takes a line for the log, `ok=False` when something is wrong; from any thread, returns at once."""


class Services:
    """Takes the word of every part, from any thread. After `leaving` a lost connection is what was asked for."""

    def __init__(
        self, inbox: Inbox, clock: Clock, report: Report, *, on_taken_over: Callable[[], None] = lambda: None
    ) -> None:
        """`on_taken_over` is called when another fillguard has taken this station."""
        self._inbox, self._clock, self._report = inbox, clock, report
        self._on_taken_over = on_taken_over
        self._leaving = False
        self.link_up = False
        """True while there is a connection to the broker."""
        self._link_detail = ""

    def leaving(self) -> None:
        """The watch is about to stop."""
        self._leaving = True

    def changed(self, service: str, ok: bool, detail: str) -> None:  # noqa: FBT001 - the order listeners are called in
        """A part failed or works again: for the log and for the alarms."""
        self._report(f"{service} {'works again' if ok else 'fails'}: {detail}", ok=ok)
        self.tell(service, detail, ok=ok)

    def tell(self, service: str, detail: str, *, ok: bool) -> None:
        """The same for the alarms only."""
        self._inbox.put(ServiceChanged(stamp=self._clock.now(), service=service, ok=ok, detail=detail))

    def on_canary(self, well: bool, detail: str) -> None:  # noqa: FBT001 - the order listeners are called in
        """The watch hears itself, or not; where there is no broker, that is why."""
        if not self._leaving:
            self.changed(CANARY, well, detail if well or self.link_up else f"{detail} ({self._link_detail})")

    def on_link(self, news: LinkNews, detail: str) -> None:
        """The link to the broker has something to tell."""
        self._report(f"broker {news.value}: {detail}", ok=news is LinkNews.UP or self._leaving)
        match news:
            case LinkNews.UP:
                self.link_up = True
                for service in ("broker", "intake", "channel:mqtt"):
                    self.tell(service, detail, ok=True)
            case LinkNews.DOWN:
                self.link_up, self._link_detail = False, detail
                self.tell("broker", detail, ok=False)
            case LinkNews.SUBSCRIPTION_REFUSED | LinkNews.TAKEN_OVER:
                self.tell("intake", detail, ok=False)
                if news is LinkNews.TAKEN_OVER:
                    self._on_taken_over()
            case LinkNews.DROPPED | LinkNews.GAP_POSSIBLE:
                # Something that happened and is over: raised and returned, so that the next one is announced again.
                self.tell("drops", detail, ok=False)
                self.tell("drops", detail, ok=True)
            case LinkNews.PUBLICATION_REFUSED:
                self.tell("channel:mqtt", detail, ok=False)
