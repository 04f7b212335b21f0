"""A register of 20,000 cylinders: how long an import takes, a verdict at attach, the lists. About half a minute.

    python -m tests.benchmarks.register [--cylinders 20000] [--fills 20000]

The shop's watch is not asked; the ledger, the register and the counter are the real ones. Nothing is judged here.
"""

import argparse
import json
import os
import statistics
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from fillguard.app.counter import Counter
from fillguard.app.cylinders import Cylinders
from fillguard.app.releasing import Releasing
from fillguard.clock import SystemClock, monotonic_s
from fillguard.core.events import FillEnded, Tick
from fillguard.core.values import Stamp
from fillguard.intake.attach import attach_event
from fillguard.ledger import store
from fillguard.ledger.recorder import Recorder
from fillguard.ports import StepRecord
from fillguard.settings import load_settings
from tests import gases
from tests.ledger_facts import ended
from tests.shops import STATION

ATTACHES = 500
A_DAY_S = 86_400.0


def main() -> None:
    """Make the register, use it, say how long each took."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--cylinders", type=int, default=20_000)
    asked.add_argument("--fills", type=int, default=20_000)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for line in measured(Path(folder), given.cylinders, given.fills):
            sys.stdout.write(line + "\n")
            sys.stdout.flush()


def measured(folder: Path, cylinders: int, fills: int) -> Iterator[str]:
    """One line for each thing that was done."""
    (folder / "station.toml").write_text(STATION, encoding="utf-8")
    file = folder / "register.csv"
    file.write_text(_csv(cylinders), encoding="utf-8")
    shop = Cylinders(folder, os.environ)
    yield _timed(f"import of {cylinders}", lambda: shop.import_file(file, by="op-1", why="first", progress=_hears_it))
    yield _timed("the same import again", lambda: shop.import_file(file, by="op-1", why="again", progress=_hears_it))
    yield _timed(f"{fills} fills recorded", lambda: _fill(folder / "ledger.sqlite3", cylinders, fills))
    yield _verdicts(folder, cylinders)
    yield _timed("cylinders due", lambda: shop.due(60))
    yield _timed("valves that need eyes", shop.valves)
    yield _timed(
        "unreleased, 100 of them", lambda: Releasing(folder, os.environ).unreleased(within_days=3650, limit=100)
    )


def _verdicts(folder: Path, cylinders: int) -> str:
    settings = load_settings(folder, {})
    counter = Counter(settings, settings.rules(gases.shipped))
    now, cpu_s, took = SystemClock().now(), _processor_s(), []
    for number in range(ATTACHES):
        payload = json.dumps({"serial": f"TH-{number * 7919 % cylinders:05d}", "operator": "op-1"}).encode()
        began_s = monotonic_s()
        counter.received(attach_event(payload, stamp=now, whip="1", register=counter.cylinder, panel=settings.panel))
        took.append((monotonic_s() - began_s) * 1e3)
    took.sort()
    middle, late, longest = statistics.median(took), took[int(0.99 * len(took))], took[-1]
    cpu_ms = (_processor_s() - cpu_s) / ATTACHES * 1e3
    return (
        f"verdict at attach: p50 {middle:.2f} ms, p99 {late:.2f} ms, longest {longest:.2f}; processor {cpu_ms:.2f} ms"
    )


def _fill(path: Path, cylinders: int, fills: int) -> None:
    now_s = SystemClock().now().utc_s
    with closing(store.connect(path)) as connection:
        recorder = Recorder(connection)
        connection.execute("BEGIN IMMEDIATE")
        for number in range(fills):
            started_s = now_s - A_DAY_S * (1.0 + number / 100.0)
            made = ended(600.0, f"fill-{number}").summary
            findings = ("valve-not-open",) if number % 20 == 0 else ()
            serial = f"TH-{number * 7919 % cylinders:05d}"
            summary = replace(made, serial=serial, started_s=started_s, findings=findings)
            stamp = Stamp(mono_s=0.0, utc_s=started_s + 600.0)
            recorder.record(StepRecord(cause=Tick(stamp=stamp), facts=(FillEnded(stamp=stamp, summary=summary),)))
        connection.execute("COMMIT")


def _timed(what: str, do: Callable[[], object]) -> str:
    began_s, cpu_s = monotonic_s(), _processor_s()
    do()
    return f"{what}: {monotonic_s() - began_s:.2f} s, {_processor_s() - cpu_s:.2f} s of them processor"


def _processor_s() -> float:
    """What this process has used: on a busy machine the only figure that can be compared."""
    used = os.times()
    return used.user + used.system


def _hears_it(_what: str, _done: int, _of: int) -> None:
    pass


def _csv(cylinders: int) -> str:
    head = (
        "serial,water_capacity_l,material,rated_bar,reference_c,last_test,last_visual,gas_service,valve_serviced,owner"
    )
    rows = (
        f"TH-{number:05d},12,steel,232,15,20{20 + number % 6}-0{1 + number % 9},2026-0{1 + number % 9},nitrox,"
        f"2026-0{1 + number % 9},owner-{number % 40}"
        for number in range(cylinders)
    )
    return "\n".join((head, *rows, ""))


if __name__ == "__main__":
    main()
