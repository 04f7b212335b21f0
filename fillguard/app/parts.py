"""Parts of the running watch that need little of each other: each built from settings and a few hands to hold."""

import uuid
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

from fillguard import __version__
from fillguard.app.anchoring import AnchorNotes
from fillguard.outlets.delivery import Sender
from fillguard.outlets.status import StationStatus
from fillguard.ports import AuditTrail, Clock, MirrorProgress, MirrorSource, Publication
from fillguard.settings import Settings

if TYPE_CHECKING:
    from fillguard.outlets.influx import InfluxMirror


def station_status(settings: Settings, clock: Clock, *, drill: bool) -> StationStatus:
    """What this one run says of itself: an instance of its own."""
    return StationStatus(
        station=settings.station.id,
        instance=uuid.uuid4().hex,
        version=__version__,
        started_utc_s=clock.now().utc_s,
        drill=drill,
    )


def anchor_notes(
    settings: Settings,
    channels: Mapping[str, Sender],
    *,
    publish: Callable[[Publication], None],
    trail: Callable[[], AuditTrail],
    clock: Clock,
    drill: bool,
) -> AnchorNotes:
    """Where the end of the chain goes daily."""
    name = settings.ledger.anchor_channel
    return AnchorNotes(
        publish,
        station=settings.station.id,
        drill=drill,
        channel=(name, channels[name]) if name is not None else None,
        trail=trail,
        clock=clock,
    )


def mirror_of(
    settings: Settings,
    *,
    open_source: Callable[[], AbstractContextManager[MirrorSource]],
    progress: MirrorProgress,
    clock: Clock,
    on_health: Callable[[bool, str], None],
) -> "InfluxMirror | None":
    """The mirror, where one is configured."""
    influx = settings.influx
    if influx is None:
        return None
    from fillguard.outlets.influx import InfluxMirror, Target  # noqa: PLC0415 - its client costs 40 MB

    return InfluxMirror(
        Target(
            url=influx.url,
            org=influx.org,
            bucket=influx.bucket,
            token=influx.token.get_secret_value(),
            station=settings.station.id,
        ),
        open_source=open_source,
        progress=progress,
        clock=clock,
        on_health=on_health,
    )
