"""Which channel wants to hear of which alarm."""

from fillguard.core.events import AlarmChanged
from fillguard.ports import Route

CHANNEL_FAILING = "channel-failing"


def wants(route: Route, change: AlarmChanged) -> bool:
    """True when `route` asks for this alarm. What concerns the station itself goes to routes for all whips only.

    That another channel fails is told to every one that works, whatever else it asks for.
    """
    if change.alarm == CHANNEL_FAILING:
        return True
    return (
        change.priority in route.priorities
        and (route.whips is None or change.whip in route.whips)
        and (route.alarms is None or change.alarm in route.alarms)
    )
