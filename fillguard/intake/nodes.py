"""Edge nodes of Sparkplug (ISO/IEC 20237): born, heard, out of order, dead; what their metrics mean meanwhile."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from fillguard.core.values import Stamp
from fillguard.intake.formats import Measured, UnusableError, device_time, shown
from fillguard.intake.payloads.found import Found, worded
from fillguard.intake.payloads.sparkplug import NAMESPACE, Body, Metric, body, rebirth_request
from fillguard.ports import Publication, RawMessage
from fillguard.settings.feeds import FeedSettings, ReadingSettings, SparkplugSettings

MOST_ALIASES = 10_000
_SEQ_RANGE = 256
_HALF = _SEQ_RANGE // 2
_ASK_EVERY_S = 60.0
_NODE_KINDS = frozenset({"NBIRTH", "NDATA", "NDEATH"})
_DEVICE_KINDS = frozenset({"DBIRTH", "DDATA", "DDEATH"})

Key = tuple[str | None, str]
"""Device (None: the node itself) and name of a metric."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attended:
    """A node or device said that it is there, or that it is gone; with it the gauges of some whips."""

    source: str
    whips: tuple[str, ...]
    online: bool


Happened = Found | Attended


@dataclass(slots=True)
class _Known:
    """What the births of this session said."""

    datatype: int | None
    key: Key


@dataclass(slots=True)
class _Session:
    """One life of an edge node, from its birth on."""

    bd_seq: int | None
    expected: int
    aliases: dict[int, _Known] = field(default_factory=dict)
    names: dict[Key, _Known] = field(default_factory=dict)
    devices: set[str] = field(default_factory=set)
    missing: set[int] = field(default_factory=set)
    gap_since_s: float | None = None
    aliases_hold: bool = True
    """False once a message is lost for good: it may have been a birth that gave the aliases another meaning."""


class EdgeNode:
    """One edge node as its host sees it. Memory: bounded by `MOST_ALIASES` and the readings of its feed."""

    def __init__(self, feed: FeedSettings, node: SparkplugSettings, ask: Callable[[Publication], None]) -> None:
        """`ask` publishes a request to the node; it is called only where the feed allows it, once a minute at most."""
        self._node, self._ask = node, ask
        self._readings: dict[Key, ReadingSettings] = {
            (reading.device, reading.metric): reading for reading in feed.readings if reading.metric is not None
        }
        self.source = f"{NAMESPACE}/{node.group}/{node.node}"
        self._session: _Session | None = None
        self._asked_s: float | None = None
        self.missed = 0
        """Sequence numbers that never came."""

    def hear(self, kind: str, device: str | None, message: RawMessage) -> Iterator[Happened]:
        """What one message of the node means. Raises UnusableError where it means nothing."""
        if kind not in (_NODE_KINDS if device is None else _DEVICE_KINDS):
            return  # a command to the node, ours or another host's
        said = body(message.payload)
        self._end_waiting(message.arrived)
        match kind:
            case "NBIRTH":
                yield from self._node_born(said, message.arrived)
            case "NDEATH":
                yield from self._node_died(said)
            case _:
                yield from self._in_session(kind, device, said, message.arrived)

    def _node_born(self, said: Body, now: Stamp) -> Iterator[Happened]:
        seq = self._seq(said) or 0
        self._session = _Session(said.bd_seq(), (seq + 1) % _SEQ_RANGE)
        self._learn(self._session, None, said)
        yield self._attended(self.source, None, online=True)
        yield from self._values(self._session, None, said, now)

    def _node_died(self, said: Body) -> Iterator[Happened]:
        session, bd_seq = self._session, said.bd_seq()
        if session is not None and session.bd_seq is not None and bd_seq != session.bd_seq:
            raise UnusableError(
                "old-death", f"death of session {bd_seq}, while session {session.bd_seq} lives: passed over"
            )
        self._session = None
        yield self._attended(self.source, None, online=False)
        for device in sorted({device for device, _ in self._readings if device is not None}):
            yield self._attended(f"{self.source}/{device}", device, online=False)

    def _in_session(self, kind: str, device: str | None, said: Body, now: Stamp) -> Iterator[Happened]:
        session = self._session
        if session is None:
            self._ask_rebirth(now)
            raise UnusableError(
                "no-birth", f"{kind} of a node whose birth was not heard: what it says is not known yet"
            )
        self._follow(session, self._seq(said), now)
        if kind == "DBIRTH" and device is not None:
            session.devices.add(device)
            self._forget(session, device)
            self._learn(session, device, said)
            yield self._attended(f"{self.source}/{device}", device, online=True)
        elif kind == "DDEATH" and device is not None:
            session.devices.discard(device)
            yield self._attended(f"{self.source}/{device}", device, online=False)
            return
        elif device is not None and device not in session.devices:
            self._ask_rebirth(now)
            raise UnusableError("no-birth", f"{kind} of device {shown(device)} whose birth was not heard")
        yield from self._values(session, device, said, now)

    # What it measures -------------------------------------------------------------------------------------------------

    def _values(self, session: _Session, device: str | None, said: Body, now: Stamp) -> Iterator[Found]:
        refused: UnusableError | None = None
        for metric in said.metrics:
            try:
                known = self._known(session, device, metric)
            except UnusableError as problem:
                refused = refused or problem
                continue
            reading = self._readings.get(known.key) if known is not None else None
            if known is None or reading is None:
                continue
            try:
                yield reading, _measured(metric, known.datatype, said, reading)
            except UnusableError as problem:
                yield reading, problem
        if refused is not None:
            self._ask_rebirth(now)
            raise refused

    def _known(self, session: _Session, device: str | None, metric: Metric) -> _Known | None:
        """Which metric this is; None for one whose name no birth gave. Raises UnusableError for an unknown alias."""
        if metric.name is not None:
            return session.names.get((device, metric.name))
        if metric.alias is None:
            raise UnusableError("no-name", "a metric with neither name nor alias")
        if not session.aliases_hold:
            raise UnusableError(
                "birth-missed", "a message was lost: aliases may mean something else now, until the next birth"
            )
        known = session.aliases.get(metric.alias)
        if known is None:
            raise UnusableError("unknown-alias", f"alias {metric.alias} stood in no birth of this session")
        return known

    def _learn(self, session: _Session, device: str | None, said: Body) -> None:
        for metric in said.metrics:
            if metric.name is None:
                continue
            known = _Known(metric.datatype, (device, metric.name))
            if known.key in self._readings:
                session.names[known.key] = known
            if metric.alias is not None:
                if len(session.aliases) >= MOST_ALIASES:
                    raise UnusableError("too-large", f"more than {MOST_ALIASES} aliases on one node")
                session.aliases[metric.alias] = known

    @staticmethod
    def _forget(session: _Session, device: str) -> None:
        session.aliases = {alias: known for alias, known in session.aliases.items() if known.key[0] != device}
        session.names = {key: known for key, known in session.names.items() if key[0] != device}

    # Order ------------------------------------------------------------------------------------------------------------

    @staticmethod
    def _seq(said: Body) -> int | None:
        if said.seq is not None and said.seq >= _SEQ_RANGE:
            raise UnusableError("bad-seq", f"seq {said.seq}: Sparkplug counts 0 to 255")
        return said.seq

    def _follow(self, session: _Session, seq: int | None, now: Stamp) -> None:
        """Count what is missing; what comes within the reorder timeout was only late."""
        if seq is None:
            return
        if seq in session.missing:
            session.missing.discard(seq)
            self.missed -= 1
            if not session.missing:
                session.gap_since_s = None
            return
        ahead = (seq - session.expected) % _SEQ_RANGE
        if ahead >= _HALF:
            return  # once more
        session.missing.update((session.expected + n) % _SEQ_RANGE for n in range(ahead))
        self.missed += ahead
        if ahead and session.gap_since_s is None:
            session.gap_since_s = now.mono_s
        session.expected = (seq + 1) % _SEQ_RANGE

    def _end_waiting(self, now: Stamp) -> None:
        """After the reorder timeout what is missing is lost, by the time of arrivals."""
        session = self._session
        if session is None or session.gap_since_s is None:
            return
        if now.mono_s - session.gap_since_s > self._node.reorder_timeout_s:
            session.missing.clear()
            session.gap_since_s = None
            session.aliases_hold = False
            self._ask_rebirth(now)

    def _ask_rebirth(self, now: Stamp) -> None:
        if not self._node.rebirth or (self._asked_s is not None and now.mono_s - self._asked_s < _ASK_EVERY_S):
            return
        self._asked_s = now.mono_s
        self._ask(rebirth_request(self._node.group, self._node.node, now.utc_s))

    def _attended(self, source: str, device: str | None, *, online: bool) -> Attended:
        whips = {reading.whip for (of, _), reading in self._readings.items() if of == device}
        return Attended(source=source, whips=tuple(sorted(whip for whip in whips if whip is not None)), online=online)


def _measured(metric: Metric, datatype: int | None, said: Body, reading: ReadingSettings) -> Measured:
    held = metric.word() if reading.words else None
    word = None if held is None else worded(held, reading)
    at_ms = metric.timestamp_ms if metric.timestamp_ms is not None else said.timestamp_ms
    return Measured(
        metric.number(datatype) if word is None else word,
        "",
        None if at_ms is None else device_time(at_ms / 1000.0),
        historical=metric.historical,
    )
