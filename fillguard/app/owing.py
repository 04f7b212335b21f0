"""What an earlier run still owed when it ended: alarms that nobody acknowledged, the flood that was going on."""

from collections.abc import Sequence

from fillguard.core.events import AlarmChanged
from fillguard.core.flood import FLOOD_WITHIN_S
from fillguard.core.values import Stamp
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.outlets.notifying import Notifier, Opened

_BACK_S = 2.0 * FLOOD_WITHIN_S
"""Far enough to see a flood that goes on begin."""
_RAISES_AT_MOST = 2000


def resume(notifier: Notifier, reader: SqliteLedgerReader, now: Stamp) -> None:
    """Have `notifier` go on from the record: the times it waits for run from the raise, whoever was running then."""
    standing = (_opened(change, reader, notifier.channels) for change in reader.standing_alarms())
    opened = [each for each in standing if each is not None]
    notifier.resume(opened, _recent(reader.raises_since(now.utc_s - _BACK_S, _RAISES_AT_MOST), now), now)


def _opened(last: AlarmChanged, reader: SqliteLedgerReader, channels: Sequence[str]) -> Opened | None:
    raised = reader.raise_of(last.occurrence)
    if raised is None:
        return None  # never announced: suppressed or shelved from its beginning
    return Opened(raised=raised, last=last, told=set(reader.told_of(last.occurrence, channels)))


def _recent(raises: Sequence[AlarmChanged], now: Stamp) -> Sequence[AlarmChanged]:
    """Without what a clock that was set back left in the future."""
    return [change for change in raises if change.stamp.utc_s <= now.utc_s]
