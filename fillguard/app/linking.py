"""Acknowledging by a link from a notice: a page that asks, a command through the queue like any other, its answer."""

import html
import threading
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from http import HTTPStatus

from fillguard.core.alarms import Standing
from fillguard.core.events import AlarmChanged, AlarmCommanded, AlarmState, CommandAnswered, InEvent, OutEvent, Verb
from fillguard.core.station import StationState
from fillguard.engine import Inbox, Notices
from fillguard.outlets.links import PATH, Claim, Links
from fillguard.outlets.web import PAGE, Handler, Request, Response
from fillguard.ports import Clock, OwedNotice

ANSWERED_WITHIN_S = 3.0
_PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<meta name="robots" content="noindex"><title>{title}</title>
<style>body{{font:1.1rem sans-serif;max-width:34rem;margin:2rem auto;padding:0 1rem}}
button{{font:inherit;padding:.8rem 1.2rem}}</style>
<h1>{title}</h1>
{body}
"""
_CAUTION = (
    "Acknowledging says that you know and act on it. It closes no valve and ends no danger: whoever stands at the "
    "panel does what the notice says."
)


class LinkDesk:
    """Takes links at the web server; hears the answers as an outlet, on the engine's thread."""

    def __init__(
        self,
        links: Links,
        *,
        station_name: str,
        drill: bool,
        clock: Clock,
        inbox: Inbox,
        state: Callable[[], StationState],
    ) -> None:
        self._links, self._clock, self._inbox, self._state = links, clock, inbox, state
        self._name = f"DRILL {station_name}" if drill else station_name
        self._lock = threading.Lock()
        self._waiting: dict[str, _Answer] = {}

    @property
    def routes(self) -> Mapping[tuple[str, str], Handler]:
        """GET asks, POST acknowledges: what only looks at links, acknowledges nothing."""
        return {("GET", PATH): self._ask, ("POST", PATH): self._acknowledge}

    def with_links(self, notices: Notices) -> Notices:
        """`notices`, each raise with a link of its own for its channel."""

        def linked(cause: InEvent, facts: Sequence[OutEvent]) -> tuple[OwedNotice, ...]:
            return tuple(self._linked(notice, cause.stamp.utc_s) for notice in notices(cause, facts))

        return linked

    def tell(self, _cause: InEvent, facts: Sequence[OutEvent]) -> None:
        """Whoever waits for an answer has it."""
        for fact in facts:
            if isinstance(fact, CommandAnswered) and fact.command_id is not None:
                with self._lock:
                    answer = self._waiting.get(fact.command_id)
                if answer is not None:
                    answer.refused = fact.refused
                    answer.came.set()

    def _linked(self, notice: OwedNotice, utc_s: float) -> OwedNotice:
        change = notice.change
        if not isinstance(change, AlarmChanged) or not change.is_raise:
            return notice
        url = self._links.url(change.occurrence, notice.channel, utc_s)
        return replace(notice, body=f"{notice.body}\nAcknowledge: {url}")

    # on the web server's threads ------------------------------------------------------------------------------------

    def _ask(self, request: Request) -> Response:
        claim = self._links.check(request.query, self._clock.now().utc_s)
        if isinstance(claim, str):
            return self._page(HTTPStatus.FORBIDDEN, "Not acknowledged", claim)
        standing = _standing(self._state(), claim.occurrence)
        if standing is None:
            return self._page(HTTPStatus.GONE, "Nothing to acknowledge", f"{claim.occurrence} is over.")
        fields = "".join(
            f'<input type="hidden" name="{name}" value="{html.escape(request.query.get(name, ""))}">' for name in "oces"
        )
        form = f'<form method="post" action="{PATH}">{fields}<button>I know, and act on it: acknowledge</button></form>'
        said = [standing.cause, f"{claim.occurrence}: {standing.state.value}", _CAUTION]
        return self._page(HTTPStatus.OK, "Acknowledge this alarm?", *said, after=form)

    def _acknowledge(self, request: Request) -> Response:
        claim = self._links.check(request.form, self._clock.now().utc_s)
        if isinstance(claim, str):
            return self._page(HTTPStatus.FORBIDDEN, "Not acknowledged", claim)
        answer = self._commanded(claim)
        if not answer.came.is_set():
            text = "The watch has not answered: look at the board whether it is acknowledged."
            return self._page(HTTPStatus.SERVICE_UNAVAILABLE, "Not known", text)
        if answer.refused is not None:
            return self._page(HTTPStatus.CONFLICT, "Not acknowledged", answer.refused)
        return self._page(HTTPStatus.OK, "Acknowledged", claim.occurrence, _CAUTION)

    def _commanded(self, claim: Claim) -> "_Answer":
        """Through the queue like a command of the board; waits for its answer, on this connection's thread only."""
        command_id, answer = uuid.uuid4().hex, _Answer()
        with self._lock:
            self._waiting[command_id] = answer
        self._inbox.put(
            AlarmCommanded(
                stamp=self._clock.now(),
                verb=Verb.ACKNOWLEDGE,
                operator=f"link:{claim.channel}",
                occurrence=claim.occurrence,
                command_id=command_id,
            )
        )
        answer.came.wait(ANSWERED_WITHIN_S)
        with self._lock:
            del self._waiting[command_id]
        return answer

    def _page(self, status: HTTPStatus, title: str, *said: str, after: str = "") -> Response:
        paragraphs = "\n".join(f"<p>{html.escape(text)}</p>" for text in (self._name, *said) if text)
        return Response(status, _PAGE.format(title=html.escape(title), body=paragraphs + after).encode(), PAGE)


class _Answer:
    """Of one command."""

    def __init__(self) -> None:
        self.came = threading.Event()
        self.refused: str | None = None


def _standing(state: StationState, occurrence: str) -> Standing | None:
    """Where the alarm with this occurrence stands; None when it is over, or was never."""
    found = [*state.standings.values()]
    for whip in state.whips.values():
        found += [*whip.standings.values(), *(standing for _, standing in whip.left_over)]
    return next((s for s in found if s.occurrence == occurrence and s.beneath is not AlarmState.NORMAL), None)
