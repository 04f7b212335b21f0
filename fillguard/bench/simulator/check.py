"""Whether a scenario can be done at all: names that exist, acts in an order that a person could follow."""

from collections import Counter
from collections.abc import Iterable, Iterator

from fillguard.bench.simulator.tables import (
    Act,
    AnnounceAct,
    AttachAct,
    BleedAct,
    CascadeTable,
    ClosePanelAct,
    CylinderValveAct,
    DetachAct,
    FillAct,
    OpenPanelAct,
    Scenario,
    WhipTable,
)


def problems_of(scenario: Scenario) -> list[str]:
    """Everything that cannot be done, one sentence each; empty when the scenario is sound."""
    found: list[str] = []
    found += _repeated("source", (source.name for source in scenario.source))
    found += _repeated("cylinder", (cylinder.serial for cylinder in scenario.cylinder))
    found += _repeated("whip", (whip.id for whip in scenario.whip))
    for whip in scenario.whip:
        found += _names(scenario, whip)
        found += [*_times(whip), *_handling(whip), *_valves(whip)]
        found += _faults(whip)
    return found


def _repeated(what: str, names: Iterable[str]) -> Iterator[str]:
    for name, times in Counter(names).items():
        if times > 1:
            yield f"{what} {name!r} is described {times} times; give each its own name"


def _names(scenario: Scenario, whip: WhipTable) -> Iterator[str]:
    sources = {source.name: source for source in scenario.source}
    serials = {cylinder.serial for cylinder in scenario.cylinder}
    for where, act in _acts(whip):
        if act.at_s is not None and act.at_s >= scenario.station.duration_s:
            yield f"{where}: at_s = {act.at_s:g} is after the end, station.duration_s = {scenario.station.duration_s:g}"
        if isinstance(act, AttachAct | AnnounceAct):
            if act.cylinder not in serials:
                yield f"{where}: cylinder = {act.cylinder!r} is not described; known are {_listed(serials)}"
            if act.surroundings == "bath" and scenario.station.bath_c is None:
                yield f"{where}: surroundings = 'bath' needs station.bath_c"
        if isinstance(act, OpenPanelAct | FillAct):
            if act.source not in sources:
                yield f"{where}: source = {act.source!r} is not described; known are {_listed(sources)}"
            elif (act.rate_bar_min is not None) and not isinstance(sources[act.source], CascadeTable):
                yield f"{where}: rate_bar_min needs a cascade; a compressor gives what it gives (free_air_l_min)"


def _listed(names: Iterable[str]) -> str:
    return ", ".join(sorted(names)) or "none"


def _acts(whip: WhipTable) -> Iterator[tuple[str, Act]]:
    """Each act with the words that name it in an error."""
    for number, act in enumerate(whip.act, start=1):
        yield f"whip {whip.id}, act {number} ({act.do})", act


def _times(whip: WhipTable) -> Iterator[str]:
    latest_s = 0.0
    for where, act in _acts(whip):
        if act.at_s is not None and act.at_s < latest_s:
            yield f"{where}: at_s = {act.at_s:g} is before the act ahead of it (at_s = {latest_s:g})"
        latest_s = max(latest_s, act.at_s or 0.0)


def _handling(whip: WhipTable) -> Iterator[str]:
    """A cylinder is put on, used and taken off again, and never taken off under pressure."""
    attached = False
    for number, (where, act) in enumerate(_acts(whip)):
        if isinstance(act, AttachAct):
            if attached:
                yield f"{where}: there is a cylinder on this whip; detach it first"
            attached = True
        elif isinstance(act, DetachAct | CylinderValveAct | FillAct) and not attached:
            yield f"{where}: there is no cylinder on this whip"
        if isinstance(act, DetachAct):
            if attached and not _bled_before(whip.act[:number]):
                yield f"{where}: the whip is under pressure; shut the cylinder valve and bleed the whip first"
            attached = False


def _valves(whip: WhipTable) -> Iterator[str]:
    """Panel and bleed are not open together; one way of throttling at a time."""
    panel_open = False
    for where, act in _acts(whip):
        if isinstance(act, OpenPanelAct | FillAct):
            panel_open = isinstance(act, OpenPanelAct)
            if act.throttle is not None and act.rate_bar_min is not None:
                yield f"{where}: give throttle or rate_bar_min, not both"
        elif isinstance(act, ClosePanelAct):
            panel_open = False
        elif isinstance(act, BleedAct) and panel_open:
            yield f"{where}: the panel valve is open; close it before bleeding"


def _bled_before(acts: tuple[Act, ...]) -> bool:
    """True when no gas can stand in the whip: nothing was opened since the last full bleed with the valve shut."""
    for act in reversed(acts):
        if isinstance(act, BleedAct):
            return act.until_bar < 2.0  # noqa: PLR2004  (bar; what a hand can still turn)
        if isinstance(act, OpenPanelAct | FillAct) or (isinstance(act, CylinderValveAct) and act.opening > 0.0):
            return False
    return True


def _faults(whip: WhipTable) -> Iterator[str]:
    for number, fault in enumerate(whip.fault, start=1):
        if fault.kind in ("silent", "stuck") and fault.channel == "wall" and whip.wall is None:
            yield f"whip {whip.id}, fault {number} ({fault.kind}): channel = 'wall' but this whip has no wall sensor"
