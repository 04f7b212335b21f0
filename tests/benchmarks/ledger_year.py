"""A year in one ledger: how large it gets, how long a list, a trace and a verification take. About three minutes.

    python -m tests.benchmarks.ledger_year [--fills 5000] [--seconds 60]

Recorded fills (tests/data/fills) go through the real watch once; what it made of them is recorded again and again under
later dates, with noise of its own on every pressure, through the real recorder, packed as the writer does it. When
`--seconds` are over, the fills that are still missing are recorded without their readings. Nothing is judged here.
"""

import argparse
import random
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import fields, is_dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from fillguard.app.scoring import Watch
from fillguard.bench.recordings import read_recording
from fillguard.clock import monotonic_s
from fillguard.core.events import FillEnded, FillStarted, Projected, Quantity, Reading
from fillguard.core.values import Stamp
from fillguard.engine import Happening
from fillguard.ledger import store
from fillguard.ledger.chain import verify
from fillguard.ledger.chunks import Packer
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.recorder import Recorder
from fillguard.ports import StepRecord

RECORDED = Path(__file__).parents[1] / "data" / "fills"
YEAR_S = 365.0 * 86_400.0
NOISE_PA, RESOLUTION_PA = 5_000.0, 10_000.0
"""Of the made-up sensors: noise of 0.05 bar, told to 0.1 bar, as the recorded ones do."""
KEPT_S = 600.0
KINDS = 8
SEED = 20261124

Done = TypeVar("Done")


def main() -> None:
    """Make the ledger, look at it, say what was found."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--fills", type=int, default=5_000)
    asked.add_argument("--seconds", type=float, default=60.0, help="for fills with their readings")
    told = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ledger.sqlite3"
        store.prepare(path, store.Owner(station="tern"), 0)
        with_readings = make(path, told.fills, told.seconds)
        say(f"{told.fills} fills recorded, {with_readings} of them with their readings")
        sizes(path, with_readings, told.fills)
        times(path, with_readings)


def make(path: Path, count: int, seconds: float) -> int:
    """Record `count` fills; returns how many of them with readings."""
    every = (played(each) for each in sorted(RECORDED.glob("fill_*.json")))
    kinds = [kind for kind in islice(every, KINDS) if kind]
    every_s = YEAR_S / count
    noise = random.Random(SEED)  # noqa: S311 - noise
    packers = (Packer("reading"), Packer("projection"))
    began_s, whole = monotonic_s(), 0
    with closing(store.connect(path)) as connection:
        connection.execute("PRAGMA synchronous = OFF")  # the disk is not what is measured
        recorder = Recorder(connection)
        for number in range(count):
            with_readings = monotonic_s() - began_s < seconds
            whole += with_readings
            connection.execute("BEGIN IMMEDIATE")
            for happening in later(kinds[number % len(kinds)], number * every_s, noise, readings=with_readings):
                recorder.record(StepRecord(cause=happening.cause, facts=happening.facts))
            now = Stamp(mono_s=0.0, utc_s=happening.cause.stamp.utc_s)
            for packer in packers if with_readings or number % 100 == 0 else ():
                while packer.turn(connection, recorder, now):
                    pass
            connection.execute("COMMIT")
        connection.execute("BEGIN IMMEDIATE")
        for packer in packers:
            while packer.turn(connection, recorder, Stamp(mono_s=0.0, utc_s=now.utc_s + 2 * 86_400.0)):
                pass
        connection.execute("COMMIT")
    return whole


def played(path: Path) -> list[Happening]:
    """What the watch makes of one recorded fill: ten minutes of pressure once a second and of shop air."""
    recording = read_recording(path)
    rows = [row for row in recording.rows if row[1] in {"P", "A"} and row[0] < KEPT_S]
    happenings = list(Watch()(replace(recording, rows=rows).capture(wall=False)))
    if not any(isinstance(fact, FillStarted) for happening in happenings for fact in happening.facts):
        return []
    ends = any(isinstance(fact, FillEnded) for happening in happenings for fact in happening.facts)
    return happenings if ends else [*happenings, *_end(happenings)]


def _end(happenings: Sequence[Happening]) -> list[Happening]:
    """The record stops before the fill ends: end it as a restart would."""
    from tests.ledger_facts import ended  # noqa: PLC0415 - only here

    last = happenings[-1].cause.stamp
    started = next(f for h in happenings for f in h.facts if isinstance(f, FillStarted))
    made = ended(0.0, fill_id=started.fill_id, started_s=started.started_s, ended_s=last.utc_s)
    return [replace(happenings[-1], facts=(replace(made, stamp=last),))]


def later(kind: Sequence[Happening], by_s: float, noise: random.Random, *, readings: bool) -> Iterator[Happening]:
    """The same fill `by_s` later."""
    started = next(f.fill_id for h in kind for f in h.facts if isinstance(f, FillStarted))
    names = {started: f"{started}-{round(by_s)}"}
    for happening in kind:
        cause = happening.cause
        facts = tuple(f for f in happening.facts if readings or not isinstance(f, Projected))
        if isinstance(cause, Reading) and not readings:
            if not facts:
                continue
            cause = replace(cause, quantity=Quantity.AMBIENT, value=293.15, whip=None, source="fill/tern/ambient")
        if isinstance(cause, Reading) and cause.quantity is Quantity.PRESSURE:
            noisy = cause.value + noise.gauss(0.0, NOISE_PA)
            cause = replace(cause, value=round(noisy / RESOLUTION_PA) * RESOLUTION_PA)
        yield replace(happening, cause=moved(cause, by_s, names), facts=tuple(moved(f, by_s, names) for f in facts))


_TIMES = frozenset(
    {"utc_s", "mono_s", "sample_s", "device_s", "started_s", "ended_s", "flow_stopped_s", "raised_utc_s", "at_s"}
)


def moved(fact: Any, by_s: float, names: dict[str, str]) -> Any:  # noqa: ANN401 - any fact, and what is in it
    """A fact with all its times later and its fill under the later one's name."""
    if not is_dataclass(fact) or isinstance(fact, type):
        return fact
    changes: dict[str, object] = {}
    for name in _names(type(fact)):
        value = getattr(fact, name)
        if name in _TIMES and value is not None:
            changes[name] = round(value + by_s, 3)
        elif isinstance(value, str) and name in {"fill_id", "occurrence"}:
            changes[name] = next((value.replace(old, new, 1) for old, new in names.items()), value)
        elif name in {"stamp", "summary"}:
            changes[name] = moved(value, by_s, names)
    return replace(fact, **changes) if changes else fact


_KNOWN: dict[type, tuple[str, ...]] = {}


def _names(kind: type) -> tuple[str, ...]:
    if kind not in _KNOWN:
        _KNOWN[kind] = tuple(field.name for field in fields(kind))
    return _KNOWN[kind]


def sizes(path: Path, with_readings: int, count: int) -> None:
    """How large it is, and what of it the measurements are."""
    copy = path.with_name("copy.sqlite3")
    store.backup(path, copy)
    with closing(sqlite3.connect(copy)) as connection:
        for stream in ("reading", "projection"):
            chunks, rows, content, records = connection.execute(
                "SELECT count(*), sum(body ->> 'rows'), sum(length(data)), sum(length(body) + 160) "
                "FROM chunk JOIN chunk_data ON chunk_data.chunk = chunk.id WHERE stream = ?",
                (stream,),
            ).fetchone()
            per_million = (content + records) / rows
            say(
                f"{stream}: {rows} rows packed in {chunks} chunks, {content / rows:.2f} bytes a row, "
                f"{per_million:.2f} MB a million with the chunks' own records"
            )
        (live,) = connection.execute(
            "SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM projection)"
        ).fetchone()
        (rows,) = connection.execute("SELECT count(*) FROM journal").fetchone()
        packed = connection.execute("SELECT sum(length(data)) FROM chunk_data").fetchone()[0]
    size = copy.stat().st_size
    say(f"file {size / 1e6:.0f} MB after a backup ({path.stat().st_size / 1e6:.0f} MB in use), {live} live rows")
    record = size - packed
    say(f"of it the record proper ({rows} rows) {record / 1e6:.0f} MB, {record / count / 1e3:.1f} kB a fill")
    year_mb = (size + packed * (count - with_readings) / with_readings) / 1e6
    say(f"{count} fills with all their readings: about {year_mb:.0f} MB (packed readings scaled up)")


def times(path: Path, with_readings: int) -> None:
    """How long people wait."""
    with SqliteLedgerReader(path) as reader:
        newest = median_ms(lambda: reader.fills(limit=50))
        fills = reader.fills(limit=5000)
        middle = str(fills[-1]["fill_id"])
        page = median_ms(lambda: reader.fills(limit=50, after_fill=middle))
        first = [str(fill["fill_id"]) for _, fill in zip(range(with_readings), reader.iter_fills(), strict=False)]
        traced = first[len(first) // 2]
        trace = median_ms(lambda: list(reader.fill_trace(traced)))
        rows = len(list(reader.fill_trace(traced)))
        projections = median_ms(lambda: list(reader.fill_projections(traced)))
        export, read = timed(lambda: sum(1 for _ in reader.iter_readings()))
    say(f"list: newest 50 fills {newest:.1f} ms, a page far back {page:.1f} ms")
    say(f"one fill's trace ({rows} readings) {trace:.1f} ms, its projections {projections:.1f} ms")
    say(f"all {read} readings read in {export:.1f} s ({read / export / 1e3:.0f} thousand a second)")
    seconds, verdict = timed(lambda: verify(path))
    say(f"verify: {verdict.finding} in {seconds:.1f} s, {verdict.rows / seconds / 1e3:.0f} thousand rows a second")


def median_ms(work: Callable[[], object]) -> float:
    """Median of five, milliseconds."""
    return 1000.0 * sorted(timed(work)[0] for _ in range(5))[2]


def timed(work: Callable[[], Done]) -> tuple[float, Done]:
    """Seconds that `work` takes, and its result."""
    began_s = monotonic_s()
    done = work()
    return monotonic_s() - began_s, done


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
