"""Numbers about the running watch: counted as it goes, read by whoever looks. Touches no state but frozen snapshots."""

import threading
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from fillguard import __version__
from fillguard.app.canary import Canary
from fillguard.core.errors import LedgerError
from fillguard.core.events import AlarmChanged, AlarmState, InEvent, OutEvent, Reading, ServiceChanged
from fillguard.core.station import StationState
from fillguard.ledger.census import Census, CensusTaker
from fillguard.outlets.exposition import Family, Sample, counter, gauge, histogram
from fillguard.ports import Clock

STEP_BOUNDS_S = (0.0001, 0.00025, 0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5)
"""An alarm leaves within milliseconds; a step above a second is a fault."""


class Tally:
    """Counts what happens, as an outlet on the engine's thread; copies are taken on any."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._readings: Counter[tuple[str, str, str]] = Counter()
        self._raised: Counter[tuple[str, str]] = Counter()
        self._failures: Counter[str] = Counter()

    def tell(self, cause: InEvent, facts: Sequence[OutEvent]) -> None:
        """Count one step."""
        with self._lock:
            match cause:
                case Reading():
                    self._readings[cause.whip or "", cause.quantity.value, cause.quality.value] += 1
                case ServiceChanged(ok=False):
                    self._failures[cause.service.partition(":")[0]] += 1
            for fact in facts:
                if isinstance(fact, AlarmChanged) and fact.is_raise:
                    self._raised[fact.alarm, str(fact.priority)] += 1

    def families(self) -> Iterator[Family]:
        """What was counted since the start."""
        with self._lock:
            readings, raised, failures = dict(self._readings), dict(self._raised), dict(self._failures)
        yield counter(
            "fillguard_readings_total",
            "Readings taken in, by whip (empty: the station's), quantity and quality.",
            *(
                Sample(count, {"whip": whip, "quantity": quantity, "quality": quality})
                for (whip, quantity, quality), count in sorted(readings.items())
            ),
        )
        yield counter(
            "fillguard_alarms_raised_total",
            "Alarms raised.",
            *(Sample(count, {"alarm": alarm, "priority": p}) for (alarm, p), count in sorted(raised.items())),
        )
        yield counter(
            "fillguard_failures_total",
            "Parts that failed and questions about sensors, by kind: broker, ledger, channel, unit, shared, zero, ...",
            *_by("service", failures),
        )


class StepTimes:
    """How long the engine took for what it took from its queue. `begin` and its answer on the engine's thread."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._counts = [0] * (len(STEP_BOUNDS_S) + 1)
        self._total_s = 0.0
        self._last_s = monotonic()

    def begin(self) -> Callable[[], None]:
        """Take the time; what is returned is called at the end."""
        return partial(self._end, self._monotonic())

    @property
    def idle_s(self) -> float:
        """Since the engine last finished anything: it wakes each second."""
        return self._monotonic() - self._last_s

    def family(self) -> Family:
        """As a histogram."""
        with self._lock:
            counts, total_s = list(self._counts), self._total_s
        return histogram(
            "fillguard_step_seconds", "Time for one message or tick, outlets included.", STEP_BOUNDS_S, counts, total_s
        )

    def _end(self, began_s: float) -> None:
        self._last_s = self._monotonic()
        took_s = self._last_s - began_s
        with self._lock:
            self._counts[bisect_left(STEP_BOUNDS_S, took_s)] += 1
            self._total_s += took_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """Where the numbers come from. Everything here may be asked from any thread."""

    station: str
    drill: bool
    clock: Clock
    state: Callable[[], StationState]
    rules_hash: Callable[[], str]
    findings: Callable[[], Mapping[str, int]]
    rejected: Callable[[], Sequence[tuple[str, str, int]]]
    """Kind of topic, reason, how many."""
    missed: Callable[[], int]
    """Sequence numbers that never came."""
    dropped: Callable[[], int]
    unsent: Callable[[], int]
    queued: Callable[[], int]
    unwritten: Callable[[], int]
    """Entries that wait for the ledger."""
    link_up: Callable[[], bool]
    ledger_ok: Callable[[], bool]
    mirror_lag: Callable[[], int | None]
    """Rows; None without a mirror."""
    open_census: Callable[[], CensusTaker]
    canary: Canary


class Meter:
    """Everything that is counted or stands somewhere, as families. Nothing here waits for the engine."""

    def __init__(self, parts: Parts, tally: Tally, steps: StepTimes) -> None:
        self._parts, self._tally, self._steps = parts, tally, steps
        self._started_s = parts.clock.now().utc_s
        self._lock = threading.Lock()
        self._last_attempt: int | None = None
        self._tried: Counter[tuple[str, str]] = Counter()

    def families(self) -> Iterator[Family]:
        """All of it, as it stands now."""
        parts = self._parts
        labels = {"version": __version__, "station": parts.station, "drill": str(parts.drill).lower()}
        yield gauge("fillguard_info", "Which fillguard this is.", Sample(1, labels))
        yield gauge("fillguard_start_time_seconds", "When it was started (Unix).", Sample(self._started_s))
        yield gauge(
            "fillguard_configuration_info",
            "Hash of the configuration in force.",
            Sample(1, {"hash": parts.rules_hash()}),
        )
        yield from self._tally.families()
        yield counter("fillguard_findings_total", "Findings made.", *_by("finding", parts.findings()))
        yield from self._came_in()
        yield from self._stands(parts.state())
        yield self._steps.family()
        yield from self._flight()
        yield from self._recorded()

    def _came_in(self) -> Iterator[Family]:
        parts = self._parts
        rejected = [Sample(n, {"kind": kind, "reason": reason}) for kind, reason, n in sorted(parts.rejected())]
        yield counter("fillguard_rejected_total", "Messages that could not be used.", *rejected)
        yield counter("fillguard_dropped_total", "QoS 0 messages that found the queue full.", Sample(parts.dropped()))
        yield counter("fillguard_unsent_total", "Own messages that made room for newer ones.", Sample(parts.unsent()))
        yield counter("fillguard_missed_total", "Sequence numbers that never came.", Sample(parts.missed()))
        yield gauge("fillguard_intake_queue_depth", "Messages that wait for the engine.", Sample(parts.queued()))
        yield gauge("fillguard_broker_connected", "1: connected and subscribed.", Sample(parts.link_up()))

    def _stands(self, state: StationState) -> Iterator[Family]:
        now = self._parts.clock.now()
        ages = {
            name: max(now.mono_s - whip.gauge.arrived_mono_s, 0.0)
            for name, whip in sorted(state.whips.items())
            if whip.gauge.arrived_mono_s is not None
        }
        yield gauge("fillguard_sample_age_seconds", "Since a whip's gauge was last heard.", *_by("whip", ages))
        open_fills = sum(whip.fill is not None for whip in state.whips.values())
        yield gauge("fillguard_open_fills", "Fills that are open.", Sample(open_fills))
        standings = [("", name, standing) for name, standing in state.standings.items()]
        for name, whip in state.whips.items():
            standings += [(name, alarm, standing) for alarm, standing in (*whip.standings.items(), *whip.left_over)]
        yield gauge(
            "fillguard_alarms",
            "Alarms that are not normal.",
            *(
                Sample(count, {"whip": whip, "alarm": alarm, "state": stands, "priority": priority})
                for (whip, alarm, stands, priority), count in sorted(
                    Counter(
                        (whip, alarm, standing.state.value, str(standing.priority))
                        for whip, alarm, standing in standings
                        if standing.state is not AlarmState.NORMAL
                    ).items()
                )
            ),
        )

    def _flight(self) -> Iterator[Family]:
        canary = self._parts.canary
        yield counter("fillguard_canary_returned_total", "Messages to itself that came back.", Sample(canary.returned))
        for name, text, value in (
            ("fillguard_canary_age_seconds", "Since one last came back.", canary.age_s),
            ("fillguard_canary_flight_seconds", "How long the newest was under way.", canary.flight_s),
        ):
            yield gauge(name, text, *([] if value is None else [Sample(value)]))

    def _recorded(self) -> Iterator[Family]:
        parts = self._parts
        yield gauge("fillguard_ledger_healthy", "0: it takes no rows.", Sample(parts.ledger_ok()))
        yield gauge("fillguard_ledger_queue_depth", "Entries that wait to be written.", Sample(parts.unwritten()))
        lag = parts.mirror_lag()
        yield gauge("fillguard_mirror_lag_rows", "Rows the mirror lacks.", *([] if lag is None else [Sample(lag)]))
        census = self._census()
        yield gauge("fillguard_census_ok", "0: the ledger could not be counted.", Sample(census is not None))
        if census is None:
            return
        yield gauge("fillguard_outbox_depth", "Notices owed and not settled.", *_by("channel", census.owed))
        with self._lock:
            tried = sorted(self._tried.items())
        yield counter(
            "fillguard_notices_total",
            "Tries to deliver a notice since the start, by result.",
            *(Sample(count, {"channel": channel, "result": result}) for (channel, result), count in tried),
        )
        yield gauge(
            "fillguard_mirror_quarantined_rows", "Rows a mirror refused for good.", Sample(census.quarantined_rows)
        )

    def _census(self) -> Census | None:
        """Counts in the ledger, the tries since the last look added up; None when it cannot be read."""
        try:
            with self._parts.open_census() as taker, self._lock:
                if self._last_attempt is None:
                    self._last_attempt = taker.newest_attempt()
                census = taker.take(self._last_attempt)
                self._last_attempt = census.last_attempt
                self._tried.update(census.tried)
        except LedgerError:
            return None
        return census

    def begin(self) -> None:
        """Count tries from here on: those of earlier runs are not this one's."""
        self._census()


def _by(label: str, numbers: Mapping[str, float]) -> list[Sample]:
    return [Sample(value, {label: key}) for key, value in sorted(numbers.items())]
