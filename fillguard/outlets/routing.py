"""Which channel is owed a notice of what."""

from collections.abc import Callable, Sequence

from fillguard.core.events import AlarmChanged
from fillguard.core.words import Notice
from fillguard.ports import OwedNotice, Route


def owed(
    change: AlarmChanged, routes: Sequence[Route], words: Callable[[AlarmChanged], Notice]
) -> tuple[OwedNotice, ...]:
    """The notices that `change` calls for, in the order of `routes`: one raise and one return for each occurrence.

    A route asks for priorities and for whips; what concerns the station itself goes to routes for all whips only.
    `words` is asked once at most, and only where somebody is owed a notice.
    """
    if not (change.is_raise or change.is_return):
        return ()
    wanted = [route for route in routes if _wants(route, change)]
    if not wanted:
        return ()
    said = words(change)
    return tuple(OwedNotice(channel=route.channel, change=change, title=said.title, body=said.body) for route in wanted)


def _wants(route: Route, change: AlarmChanged) -> bool:
    return change.priority in route.priorities and (route.whips is None or change.whip in route.whips)
