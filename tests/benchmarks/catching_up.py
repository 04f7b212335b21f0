"""What a mirror that catches up costs the watch: a backlog is written to a real server while alarms are measured.

A ledger is filled with readings that no mirror has; then `fillguard run` starts behind a real mosquitto, an influxd
there again. Probes measure alarms while the backlog goes out and after it has gone. At the end the server is
asked how many values it holds.

    python tests/benchmarks/catching_up.py                    half a million readings
    python tests/benchmarks/catching_up.py --readings 50000   does it work at all?
"""

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[2]))  # last: the tests from the checkout, fillguard as installed

from fillguard.clock import SystemClock, monotonic_s
from fillguard.core.events import Quantity, Reading
from fillguard.core.values import Stamp
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.store import Owner
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.ports import StepRecord
from tests.benchmarks.latency import PROBE, WHIP, Prober, online, percentile_ms, say
from tests.servers import Influxd, InfluxShim, Mosquitto
from tests.stations import TOKEN, Process, until

STATION = """
[station]
id = "tern"
name = "Tern Harbour"
timezone = "UTC"
hot_allowance_bar = "full"
[broker]
host = "127.0.0.1"
port = {port}
[ledger]
path = "ledger.db"
[influx]
url = "{mirror}"
org = "tern"
bucket = "fills"
token_file = "influx.token"
"""
AT_ONCE = 5_000
PROBES = 60
CAUGHT_UP_WITHIN_S = 1800.0


def fill(ledger: Path, count: int) -> None:
    """So many readings of the past hours, from four whips and their wall sensors."""
    clock = SystemClock()
    writer = SqliteLedgerWriter(ledger, Owner(station="tern"), clock, capacity=2 * AT_ONCE)
    writer.start()
    began = clock.now()
    for number in range(count):
        whip = str(number % 4 + 1)
        back_s = (count - number) * 0.02
        sample_s = round(began.utc_s - back_s, 3)
        reading = Reading(
            stamp=Stamp(mono_s=began.mono_s - back_s, utc_s=sample_s),
            source=f"fill/tern/{whip}/pressure",
            whip=whip,
            quantity=Quantity.PRESSURE,
            value=round(50e3 + number % 1000) * 100.0,
            sample_s=sample_s,
            seq=number,
            boot="backlog",
        )
        writer.put(StepRecord(cause=reading, facts=()))
        if number % AT_ONCE == 0:
            with SqliteLedgerReader(ledger) as reader:
                until(lambda number=number: reader.newest_row("reading") >= number - AT_ONCE, "room in the queue")  # type: ignore[misc]
    if writer.stop(60.0) != 0:
        raise RuntimeError("the backlog is not on record")


def measured(folder: Path, count: int) -> None:
    """One run."""
    for name in ("broker", "influxd"):
        (folder / name).mkdir()
    fill(folder / "ledger.db", count)
    (folder / "influx.token").write_text(TOKEN + "\n", encoding="utf-8")
    with (
        Mosquitto(folder / "broker") as broker,
        Influxd(folder / "influxd") as influxd,
        InfluxShim(influxd, TOKEN) as shim,
        SqliteLedgerReader(folder / "ledger.db") as reader,
    ):
        influxd.create("fills")
        text = STATION.format(port=broker.port, mirror=shim.url)
        text += "".join(WHIP.format(id=whip) for whip in ("1", "2", "3", "4", PROBE))
        (folder / "station.toml").write_text(text, encoding="utf-8")
        prober = Prober(broker.port)
        with Process(folder / "log", "run", "--config", folder) as daemon:
            began_s = monotonic_s()
            prober.wait_for(online)
            while_it_catches_up: list[float] = []
            while reader.cursor("influx/reading") < count and monotonic_s() - began_s < CAUGHT_UP_WITHIN_S:
                while_it_catches_up += prober.alarms(5)
            took_s = monotonic_s() - began_s
            until(lambda: reader.cursor("influx/reading") == reader.newest_row("reading"), "all of it is there")
            afterwards = prober.alarms(PROBES)
            until(lambda: reader.cursor("influx/reading") == reader.newest_row("reading"), "all of it is there")
            if daemon.ask_to_stop() != 0:
                raise RuntimeError(daemon.said)
        held = influxd.query("fills", "SELECT count(pressure_bar), count(bad_pressure_bar) FROM fill_sample")
        say(f"{count} readings caught up in {took_s:.0f} s ({count / took_s:.0f} a second)")
        for name, taken in (("while it catches up", while_it_catches_up), ("afterwards", afterwards)):
            p50, p90, p99 = (percentile_ms(taken, share) for share in (0.5, 0.9, 0.99))
            say(f"  alarm {name}: p50 {p50:.2f} ms, p90 {p90:.2f} ms, p99 {p99:.2f} ms of {len(taken)}")
        say(f"  on record {reader.newest_row('reading')}, at the server {held}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readings", type=int, default=500_000)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="fillguard-catching-up-") as folder:
        measured(Path(folder), arguments.readings)


if __name__ == "__main__":
    main()
