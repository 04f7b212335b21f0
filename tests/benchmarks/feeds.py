"""What reading a message costs by kind of payload, beside `json.loads`; and a storm of broken ones.

    python -m tests.benchmarks.feeds                    # cost by kind, then 1,000,000 broken messages
    python -m tests.benchmarks.feeds --storm 100000

The cost is of the whole way from bytes to graded readings, messages ever new. In the storm every message is a good one
of some kind with bytes changed, cut out, doubled or put in: no exception may come out, and the memory must stay flat.
"""

import argparse
import json
import random
import sys
from collections.abc import Callable, Iterator

import psutil

from fillguard.clock import monotonic_s
from fillguard.core.values import Stamp
from fillguard.ports import RawMessage
from tests.property.test_feed_properties import broken, check, decoder, seeds
from tests.sparkplug import DOUBLE, INT32, Node

MESSAGES = 20_000
ROUNDS = 3
SEED = 20237
START_S = 1_795_558_185.0

Made = Callable[[int], bytes]


def main() -> None:
    """Print both."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--storm", type=int, default=1_000_000, help="broken messages")
    told = asked.parse_args()
    for line in (*costs(), *storm(told.storm)):
        sys.stdout.write(line + "\n")
        sys.stdout.flush()


def kinds() -> dict[str, tuple[str, Made]]:
    """Topic and messages of each kind, as a sensor sends them."""
    return {
        "number": ("n/1", lambda n: f"{4 + n % 1600 / 100:.2f}".encode()),
        "text": ("t/1", lambda n: f"{20 + n % 1000 / 100:.2f} Cel".encode()),
        "json": (
            "j",
            lambda n: json.dumps(
                {"p": 100 + n % 10_000 / 100, "u": "bar", "t": START_S + n * 0.1, "n": n, "a": [1, 32]}
            ).encode(),
        ),
        "senml": (
            "s",
            lambda n: json.dumps(
                [{"bn": "x:", "bt": START_S, "bu": "Cel"}, {"n": "t", "v": 20 + n % 1000 / 100, "t": n * 0.1}]
            ).encode(),
        ),
        "hex": ("h", lambda n: f"{n % 65536:04X}00FF".encode()),
        "attach": ("scan/1", lambda n: f"TH-{n % 10_000:04d}".encode()),
        "fillguard's own": (
            "fill/tern/1/wall",
            lambda n: json.dumps({"value": 20 + n % 100 / 10, "unit": "Cel", "time": START_S + n * 0.1}).encode(),
        ),
    }


def costs() -> Iterator[str]:
    """Microseconds a message, least of some rounds."""
    yield f"{'kind':<18} {'us/message':>10} {'json.loads of the same bytes':>30}"
    for kind, (topic, make) in kinds().items():
        payloads = [make(n) for n in range(MESSAGES)]
        yield _line(kind, least_us(topic, payloads), _loads_us(payloads))
    node, metric = Node(), {"name": "c", "alias": 1, "datatype": DOUBLE, "double_value": 12.0}
    birth = ("spBv1.0/g/NBIRTH/n", node.birth({"name": "Rate", "datatype": INT32, "int_value": 1}, metric))
    data = [node.says({"alias": 1, "double_value": 4.0 + n % 1600 / 100}) for n in range(MESSAGES)]
    yield _line("sparkplug", least_us("spBv1.0/g/NDATA/n", data, first=birth), None)


def _line(kind: str, us: float, loads_us: float | None) -> str:
    beside = "-" if loads_us is None else f"{loads_us:.2f}"
    return f"{kind:<18} {us:>10.1f} {beside:>30}"


def least_us(topic: str, payloads: list[bytes], *, first: tuple[str, bytes] | None = None) -> float:
    """One decoder a round, so that nothing is a repetition."""
    found = []
    for _ in range(ROUNDS):
        here = decoder()
        messages = [
            RawMessage(arrived=Stamp(mono_s=n * 0.1, utc_s=START_S + n * 0.1), topic=topic, payload=payload)
            for n, payload in enumerate(payloads, start=1)
        ]
        if first is not None:
            here.decode(RawMessage(arrived=Stamp(mono_s=0.0, utc_s=START_S), topic=first[0], payload=first[1]))
        began_s = monotonic_s()
        for message in messages:
            here.decode(message)
        found.append((monotonic_s() - began_s) / len(messages) * 1e6)
    return min(found)


def _loads_us(payloads: list[bytes]) -> float | None:
    try:
        json.loads(payloads[0])
    except ValueError:
        return None
    began_s = monotonic_s()
    for payload in payloads:
        json.loads(payload)
    return (monotonic_s() - began_s) / len(payloads) * 1e6


def storm(count: int) -> Iterator[str]:
    """Broken messages through one decoder; memory at a tenth and at the end."""
    chance = random.Random(SEED)  # noqa: S311 - repeatable, keeps no secret
    here, good, readings = decoder(), seeds(), 0
    topics, process = list(good), psutil.Process()
    early_mb = 0.0
    began_s = monotonic_s()
    for number in range(count):
        topic = chance.choice(topics)
        arrived = Stamp(mono_s=number * 0.1, utc_s=START_S + number * 0.1)
        payload = broken(chance, chance.choice(good[topic]))
        readings += check(here.decode(RawMessage(arrived=arrived, topic=topic, payload=payload)), arrived)
        if number == count // 10:
            early_mb = process.memory_info().rss / 1e6
    took_s = monotonic_s() - began_s
    late_mb = process.memory_info().rss / 1e6
    yield f"{count} broken messages in {took_s:.0f} s: 0 exceptions, {readings} readings, the rest refused"
    yield f"memory {early_mb:.1f} MB after a tenth, {late_mb:.1f} MB at the end"
    for counted in here.rejections()[:10]:
        yield f"  {counted.count:>8} {counted.kind}: {counted.reason}"


if __name__ == "__main__":
    main()
