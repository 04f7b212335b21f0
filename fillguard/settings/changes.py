"""Two configurations compared: what differs, in words; what of it may come into force while the watch runs."""

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from fillguard.core.rules import WhipRules
from fillguard.settings.alarms import shipped_alarms
from fillguard.settings.model import Settings
from fillguard.settings.problems import quoted
from fillguard.settings.resolve import json_text

_LIVE_WHIP = {
    "max_working_bar": "max_working_gauge_pa",
    "lowest_rating_bar": "lowest_rating_gauge_pa",
    "lowest_rating_reference_c": "lowest_rating_reference_k",
    "safety_valve_bar": "safety_valve_gauge_pa",
    "supply_end_bar": "supply_end_gauge_pa",
}
"""Key of the file -> field of the rules."""
_LIVE_CHANNEL = frozenset({"priorities", "whips", "alarms", "hours", "days", "unacknowledged_after_s"})
"""Who gets what, and when."""
_LISTS = {"whip": "id", "channel": "name", "feed": "name", "class": "name"}
_SHORTER_IS_STRICTER = frozenset({"on_delay_s", "priority"})
Path = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One key that is not what it was."""

    path: Path
    """`("alarms", "too-fast", "setpoint")`, `("whip", "1", "max_working_bar")`."""
    old: object
    """None: it was not there."""
    new: object
    unit: str = ""
    strict: str = ""
    """Which way it gets stricter; empty where neither way is."""

    @property
    def is_live(self) -> bool:
        """True when it may come into force while the watch runs."""
        match self.path:
            case ("alarms", *_) | ("station", "oxygen_threshold"):
                return True
            case ("whip", _, key):
                return key in _LIVE_WHIP
            case ("channel", _, key, *_):
                return key in _LIVE_CHANNEL
            case _:
                return False

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit and self.new is not None else ""
        return f"{_label(self.path)}: {_value(self.old)} -> {_value(self.new)}{unit}{self._direction()}"

    def _direction(self) -> str:
        old, new = self.old, self.new
        if not self.strict or not isinstance(old, int | float) or not isinstance(new, int | float):
            return ""
        return " (stricter)" if (new < old) == (self.strict == "lower") else " (looser)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reload:
    """What a newly loaded configuration brings."""

    settings: Settings
    """In force from now on: the old one with all of the new one that needs no restart."""
    now: tuple[Change, ...]
    later: tuple[Change, ...]
    """These need a restart."""


def changes(old: str, new: str) -> tuple[Change, ...]:
    """What differs between two `Settings.text`, in the order of the files."""
    before, after = _flat(json.loads(old)), _flat(json.loads(new))
    stays = _items(before) & _items(after)
    paths = sorted(path for path in {**before, **after} if before.get(path) != after.get(path))
    came_or_went = sorted({path[:2] for path in paths if path[0] in _LISTS and path[:2] not in stays})
    return (
        *(_came_or_went(item, came=item in _items(after)) for item in came_or_went),
        *(_change(path, before.get(path), after.get(path)) for path in paths if path[:2] not in came_or_went),
    )


def _items(flat: Mapping[Path, object]) -> set[Path]:
    """Whips, channels and feeds, each as a whole."""
    return {path[:2] for path in flat if path[0] in _LISTS}


def _came_or_went(item: Path, *, came: bool) -> Change:
    return Change(path=item, old=None if came else {}, new={} if came else None)


def taken_over(in_force: Settings, loaded: Settings) -> Reload:
    """What becomes of a running watch's configuration when `loaded` is read."""
    found = changes(in_force.text, loaded.text)
    now = tuple(change for change in found if change.is_live)
    later = tuple(change for change in found if not change.is_live)
    whips = {name: _whip(whip, loaded.whips.get(name, whip), now) for name, whip in in_force.whips.items()}
    routes = {channel.name: channel.route for channel in loaded.channels}
    text = json_text(_merged(json.loads(in_force.text), json.loads(loaded.text), now))
    settings = replace(
        in_force,
        alarms=loaded.alarms,
        whips=whips,
        station=replace(in_force.station, oxygen_threshold=loaded.station.oxygen_threshold),
        channels=tuple(replace(c, route=routes.get(c.name, c.route)) for c in in_force.channels),
        text=text,
        hash=hashlib.sha256(text.encode()).hexdigest(),
    )
    return Reload(settings=settings, now=now, later=later)


def _whip(old: WhipRules, new: WhipRules, now: tuple[Change, ...]) -> WhipRules:
    """`old` with what of `new` was changed and needs no restart: a default that moved with the profile does."""
    fields = [_LIVE_WHIP[change.path[2]] for change in now if change.path[:2] == ("whip", old.whip)]
    return replace(old, **{field: getattr(new, field) for field in fields})


def _merged(old: dict[str, object], new: dict[str, object], now: tuple[Change, ...]) -> dict[str, object]:
    """`old` with the changes of `now` in it; `new` gives what was not there."""
    old["alarms"] = new["alarms"]
    for change in now:
        table, *keys, last = change.path
        if table == "alarms":
            continue
        at: object = old[table]
        if isinstance(at, list):
            at = next((item for item in at if item[_LISTS[table]] == keys[0]), None)
        if isinstance(at, dict):
            at[last] = change.new
    return old


def _change(path: Path, old: object, new: object) -> Change:
    unit = strict = ""
    if path[0] == "alarms" and path[1] in shipped_alarms():
        alarm = shipped_alarms()[path[1]]
        if path[2] in {"setpoint", "variants", "deadband"}:
            unit = alarm.unit
        if path[2] in {"setpoint", "variants"}:
            strict = alarm.strict
        elif path[2] in _SHORTER_IS_STRICTER:
            strict = "lower"
    elif path[-1] in {"max_working_bar", "lowest_rating_bar", "oxygen_threshold"}:
        strict = "lower"
    return Change(path=path, old=old, new=new, unit=unit, strict=strict)


def _flat(tables: Mapping[str, object]) -> dict[Path, object]:
    return dict(_leaves((), tables))


def _leaves(path: Path, value: object) -> Iterator[tuple[Path, object]]:
    """Every value with the keys that lead to it; what is not set is not there. Lists of plain values are one value."""
    if isinstance(value, list) and path and path[0] in _LISTS and len(path) == 1:
        key = _LISTS[path[0]]
        value = {str(item.get(key, number)): item for number, item in enumerate(value, start=1)}
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _leaves((*path, key), item)
    elif value is not None:
        yield path, value


def _label(path: Path) -> str:
    match path:
        case ("alarms", alarm, "variants", case):
            return f"{alarm} {case}"
        case ("alarms", alarm, *keys):
            return " ".join((alarm, *keys))
        case ("whip" | "channel" | "feed" as table, name, *keys):
            return " ".join((f'[[{table}]] "{name}"', *keys))
        case (table, *keys):
            return " ".join((f"[{table}]", *keys))
        case _:
            return "configuration"


def _value(value: object) -> str:
    if value is None:
        return "not set"
    return f"{value:g}" if isinstance(value, float) else quoted(value)
