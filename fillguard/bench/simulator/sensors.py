"""Sensors and the way of their messages: what is wrong with a reading before anybody sees it."""

import heapq
import json
import random
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fillguard.bench.simulator.tables import LinkTable

_PERIOD_JITTER = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class SimMessage:
    """One message as it reaches the broker, `t_s` seconds after the scenario's start."""

    t_s: float
    topic: str
    payload: bytes
    whip: str | None
    """The whip whose gateway sends it; None: the station's own."""
    retained: bool = False
    reading: bool = False
    """A sensor's reading, which may be lost; an attach or a presence is not."""


class Post:
    """Messages under way, handed out in order of arrival. Bounded by the link's longest delay."""

    def __init__(self) -> None:
        self._under_way: list[tuple[float, int, SimMessage]] = []
        self._count = 0

    def send(self, message: SimMessage) -> None:
        """Put a message under way; equal arrivals keep the order of sending."""
        heapq.heappush(self._under_way, (message.t_s, self._count, message))
        self._count += 1

    def arrived(self, until_s: float) -> list[SimMessage]:
        """Take out everything that has arrived by `until_s`."""
        out: list[SimMessage] = []
        while self._under_way and self._under_way[0][0] <= until_s:
            out.append(heapq.heappop(self._under_way)[2])
        return out


def payload_of(content: Mapping[str, Any]) -> bytes:
    """Compact JSON."""
    return json.dumps(content, separators=(",", ":"), allow_nan=False).encode()


@dataclass(frozen=True, slots=True, kw_only=True)
class Make:
    """What a sensor does to the truth: `value = truth * gain + zero + noise`, in whole steps."""

    unit: str
    every_s: float
    noise: float
    step: float
    gain: float = 1.0
    zero: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How its messages get to the broker, and what clock stamps them."""

    link: LinkTable
    epoch_utc_s: float
    clock_offset_s: float = 0.0
    send_time: bool = True


class Sensor:
    """One channel: samples, faults, and its share of the link's."""

    def __init__(self, *, topic: str, whip: str | None, make: Make, way: Way, chance: random.Random) -> None:
        self.topic = topic
        self.whip = whip
        self.silent_until_s = self.stuck_until_s = -1.0
        self.due_s = chance.uniform(0.0, make.every_s)
        self._make = make
        self._way = way
        self._chance = chance
        self._boot = 1
        self._seq = 0
        self._last: float | None = None
        self._sent_s = 0.0

    def reboot(self) -> None:
        """Lose power: count from the beginning under a new boot id."""
        self._boot += 1
        self._seq = 0
        self._last = None

    def sample(self, true_value: float, post: Post) -> None:
        """Take the sample that is due and send it; `true_value` belongs to the moment `due_s`."""
        now_s = self.due_s
        make, chance = self._make, self._chance
        self.due_s += make.every_s * (1.0 + chance.uniform(-_PERIOD_JITTER, _PERIOD_JITTER))
        value = true_value * make.gain + make.zero + chance.gauss(0.0, make.noise)
        value = round(round(value / make.step) * make.step, 6) if make.step > 0.0 else value
        if now_s < self.silent_until_s:
            return
        if now_s < self.stuck_until_s and self._last is not None:
            value = self._last
        self._last = value
        self._send(now_s, value, post)

    def _send(self, now_s: float, value: float, post: Post) -> None:
        way, chance, link = self._way, self._chance, self._way.link
        content: dict[str, Any] = {"value": value, "unit": self._make.unit}
        if way.send_time:
            content["time"] = round(way.epoch_utc_s + now_s + way.clock_offset_s, 3)
        content |= {"seq": self._seq, "boot": f"b{self._boot}"}
        self._seq += 1
        arrives_s = now_s + link.delay_s + chance.uniform(0.0, link.jitter_s)
        lost, twice, late = chance.random(), chance.random(), chance.random()
        if lost < link.loss:
            return
        if late < link.late:
            arrives_s += link.late_by_s * chance.uniform(0.3, 1.0)
        else:
            # One connection delivers in order; only what was held up elsewhere comes late.
            arrives_s = self._sent_s = max(arrives_s, self._sent_s)
        payload = payload_of(content)
        post.send(SimMessage(t_s=arrives_s, topic=self.topic, payload=payload, whip=self.whip, reading=True))
        if twice < link.duplicate:
            again_s = arrives_s + chance.uniform(0.0, 0.5)
            post.send(SimMessage(t_s=again_s, topic=self.topic, payload=payload, whip=self.whip, reading=True))


@dataclass(slots=True, kw_only=True)
class StrapOn:
    """The wall sensor's own temperature: it lags the wall and is partly cooled by what is around it."""

    temperature_k: float

    def step(self, dt_s: float, wall_k: float, around_k: float, lag_s: float, contact: float) -> None:
        """Advance by `dt_s` with time constant `lag_s`; `contact` is the share drawn towards the surroundings."""
        drawn_to_k = wall_k - contact * (wall_k - around_k)
        self.temperature_k += (drawn_to_k - self.temperature_k) * min(1.0, dt_s / lag_s)
