"""What the watch answers machines that look: is it alive, is it ready, its numbers. Reads frozen snapshots only."""

import math
from collections.abc import Mapping
from http import HTTPStatus

from fillguard.app.metering import Meter, Parts, StepTimes
from fillguard.outlets.exposition import CONTENT_TYPE, exposition
from fillguard.outlets.web import Handler, Request, Response, plain

ALIVE_WITHIN_S = 10.0
"""The engine wakes each second; one that has not for so long hangs."""
FRESH_WITHIN_S = 60.0
"""A gauge that speaks at all speaks once a minute."""


def looks(parts: Parts, meter: Meter, steps: StepTimes) -> Mapping[tuple[str, str], Handler]:
    """The pages for machines that look: `/healthz`, `/readyz`, `/metrics`."""

    def healthz(_: Request) -> Response:
        idle_s = steps.idle_s
        if idle_s > ALIVE_WITHIN_S:
            return plain(HTTPStatus.SERVICE_UNAVAILABLE, f"the engine has done nothing for {idle_s:.0f} s")
        return plain(HTTPStatus.OK, "alive")

    def readyz(_: Request) -> Response:
        checks = _checks(parts)
        status = HTTPStatus.OK if all(ok for ok, _ in checks) else HTTPStatus.SERVICE_UNAVAILABLE
        return plain(status, "\n".join(f"{'ok' if ok else 'NOT'}: {text}" for ok, text in checks))

    def metrics(_: Request) -> Response:
        return Response(HTTPStatus.OK, exposition(meter.families()), CONTENT_TYPE)

    return {("GET", "/healthz"): healthz, ("GET", "/readyz"): readyz, ("GET", "/metrics"): metrics}


def _checks(parts: Parts) -> list[tuple[bool, str]]:
    """Would a fill be watched and recorded now?"""
    now = parts.clock.now()
    heard = [w.gauge.arrived_mono_s for w in parts.state().whips.values() if w.gauge.arrived_mono_s is not None]
    age_s = max(now.mono_s - max(heard), 0.0) if heard else math.inf
    newest = f"the newest reading is {age_s:.1f} s old" if heard else "no reading has come yet"
    return [
        (parts.link_up(), "broker connected and subscribed"),
        (parts.canary.well, "the watch hears itself"),
        (parts.ledger_ok(), "the ledger takes rows"),
        (age_s <= FRESH_WITHIN_S, newest),
    ]
