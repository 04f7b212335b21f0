"""Does the watch grow? Readings, alarms, fills that come and go, rubbish and commands for as long as asked for.

`fillguard run` behind a real mosquitto, everything on. Its memory is taken once a minute (at least ten times in all);
the first third, in which caches fill, is left out, and a line is laid through the rest. A watch that is well shows a
slope of nothing within its scatter. Hours tell more than minutes.

    python tests/benchmarks/soak.py                  ten minutes
    python tests/benchmarks/soak.py --minutes 480    a night
"""

import argparse
import sys
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path

import psutil

sys.path.append(str(Path(__file__).resolve().parents[2]))  # last: the tests from the checkout, fillguard as installed

from fillguard.clock import monotonic_s
from fillguard.ledger.reader import SqliteLedgerReader
from tests.benchmarks.latency import say
from tests.servers import Peer
from tests.stations import Process
from tests.trials import Posts, ShippedBroker, Shower, tally, trial_station, wait_for_record, wait_until_watching

WHIPS = tuple("12345678")
RATE = 100.0
FILL_EVERY_S = 120.0
FEWEST_SAMPLES = 10
RUBBISH_EVERY_S = 1.0


def fills_and_alarms(whip: str, at_s: float) -> float:
    """Each whip is filled from 50 to 80 bar, stands, and is bled, over and over; whip `2` leaps now and then."""
    if whip == "2":
        return 360.0 if at_s % 10.0 < 1.0 else 0.0
    phase = (at_s + 7.0 * int(whip)) % FILL_EVERY_S
    if phase < 10.0:
        return 0.0
    return 50.0 + min(max(0.0, phase - 25.0), 60.0) * 0.5


def slope(samples: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """MB an hour and its standard error, by a line through (seconds, MB)."""
    count = len(samples)
    mean_s, mean_mb = (sum(each[k] for each in samples) / count for k in (0, 1))
    spread = sum((s - mean_s) ** 2 for s, _ in samples)
    by_s = sum((s - mean_s) * (mb - mean_mb) for s, mb in samples) / spread
    left = sum((mb - mean_mb - by_s * (s - mean_s)) ** 2 for s, mb in samples) / max(count - 2, 1)
    return by_s * 3600.0, (left / spread) ** 0.5 * 3600.0


def soak(folder: Path, minutes: float) -> None:
    """One run."""
    with ShippedBroker(folder / "broker") as broker, Posts() as posts:
        channels = {"panel": f'url = "{posts.url}"\npriorities = [1, 2, 3]'}
        config = trial_station(folder / "config", broker, channels=channels, whips=WHIPS[2:])
        with Process(folder / "log", "run", "--config", config) as daemon:
            wait_until_watching(broker)
            watch, never = psutil.Process(daemon.pid), threading.Event()
            samples: list[tuple[float, float]] = []
            ends_s, began_s = minutes * 60.0, monotonic_s()
            every_s = min(60.0, ends_s / FEWEST_SAMPLES)
            with (
                Shower(broker, RATE, whips=WHIPS, value=fills_and_alarms) as shower,
                Peer(broker.port, user="tern-sensors") as sensors,
            ):
                while (passed_s := monotonic_s() - began_s) < ends_s:
                    if passed_s >= len(samples) * every_s:
                        samples.append((passed_s, watch.memory_info().rss / 1e6))
                        say(f"  {passed_s / 60.0:6.1f} min  {samples[-1][1]:6.1f} MB")
                    sensors.publish("fill/tern/1/pressure", f"rubbish {passed_s}".encode())
                    never.wait(RUBBISH_EVERY_S)
                wait_for_record(config / "ledger.db", shower.finish())
            if daemon.ask_to_stop(within_s=20.0) != 0:
                raise RuntimeError(daemon.said)
        say(str(tally(config / "ledger.db", shower.sent, posts.taken)))
        with SqliteLedgerReader(config / "ledger.db") as reader:
            say(f"fills {reader.count('fill')}")
    mb_h, error = slope(samples[len(samples) // 3 :])
    say(
        f"memory {samples[0][1]:.1f} to {samples[-1][1]:.1f} MB; "
        f"after the first third {mb_h:+.2f} +- {error:.2f} MB an hour"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="fillguard-soak-") as folder:
        soak(Path(folder), arguments.minutes)


if __name__ == "__main__":
    main()
