"""What a restart must know of the gauges' zeros: those of the last week, and which whip was off when last bled."""

from dataclasses import replace

from fillguard.core.events import ZeroVerdict
from fillguard.core.stationstate import StationState
from fillguard.core.values import Stamp
from fillguard.core.whip import WhipState
from fillguard.core.zero import WEEK_S, off_since_bled, remembered
from fillguard.ledger.reader import SqliteLedgerReader


def with_zeros(state: StationState, reader: SqliteLedgerReader, now: Stamp) -> StationState:
    """The station with the zero checks on record. Whips that go on where they were know theirs. Raises LedgerError."""
    whips, failing = dict(state.whips), dict(state.failing)
    goes_on = {name for name, whip in whips.items() if whip.zero.kept}
    for check in reader.zero_checks(now.utc_s - WEEK_S):
        name = off_since_bled(check.whip)
        failing.pop(name, None)
        if check.judged is not ZeroVerdict.GOOD:
            failing[name] = check.text.rstrip(".")
        if check.whip not in goes_on:
            whip = whips.get(check.whip) or WhipState(whip=check.whip)
            zero = remembered(whip.zero, check.zero_gauge_pa, check.stamp.utc_s, check.judged)
            whips[check.whip] = replace(whip, zero=zero)
    return replace(state, whips=whips, failing=failing)
