"""Facts for tests of the ledger: one cylinder of the invented station Tern Harbour, and what may happen to it."""

import sqlite3
from dataclasses import replace
from pathlib import Path
from threading import Event

from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    Doubt,
    FillEnded,
    FillStarted,
    FillSummary,
    InEvent,
    Outcome,
    OutEvent,
    Phase,
    Projected,
    Quality,
    Quantity,
    Reading,
    Tick,
)
from fillguard.core.values import AIR, Cylinder, Material, Stamp, Surroundings
from fillguard.ledger.chunks import Packer
from fillguard.ledger.recorder import Recorder
from fillguard.ledger.store import Owner
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.ports import OwedNotice, RawMessage, StepRecord
from tests.fakes import FakeClock

T0 = 1_795_558_185.0
OWNER = Owner(station="tern")
PRESSURE = "fill/tern/1/pressure"
FILL = "tern-1-20261124T220945Z"
PATIENCE_S = 30.0
"""How long a test waits for what must happen; never how long it waits for nothing to happen."""

CYLINDER = Cylinder(
    serial="TH-0042",
    water_capacity_m3=0.0111,
    material=Material.ALUMINIUM,
    rated_gauge_pa=206.84e5,
    reference_k=294.25,
)


def at(seconds: float) -> Stamp:
    return Stamp(mono_s=1000.0 + seconds, utc_s=T0 + seconds)


def reading(
    seconds: float, bar: float, *, whip: str | None = "1", seq: int | None = None, **changes: object
) -> Reading:
    made = Reading(
        stamp=at(seconds),
        source=f"fill/tern/{whip}/pressure",
        whip=whip,
        quantity=Quantity.PRESSURE,
        value=round(bar * 1000) * 100.0,
        sample_s=T0 + seconds - 0.25,
        seq=seq,
    )
    return replace(made, **changes)


def raw(seconds: float, ack: "Token | None" = None, topic: str = PRESSURE) -> RawMessage:
    return RawMessage(arrived=at(seconds), topic=topic, payload=b"{}", qos=1, ack=ack)


def step(cause: InEvent, *facts: OutEvent, owed: tuple[OwedNotice, ...] = (), ack: "Token | None" = None) -> StepRecord:
    return StepRecord(cause=cause, facts=facts, owed=owed, raw=None if ack is None else raw(0.0, ack))


def tick(seconds: float) -> Tick:
    return Tick(stamp=at(seconds))


def started(seconds: float = 0.0, fill_id: str = FILL, whip: str = "1", serial: str | None = "TH-0042") -> FillStarted:
    return FillStarted(
        stamp=at(seconds),
        fill_id=fill_id,
        station="tern",
        whip=whip,
        started_s=T0 + seconds,
        start_gauge_pa=40e5,
        plateau_seen=True,
        serial=serial,
        operator="op-1",
        cylinder=replace(CYLINDER, serial=serial),
        gas=AIR,
        residual_gas=AIR,
        surroundings=Surroundings.AIR,
        limit_gauge_pa=206.84e5,
        reference_k=294.25,
        target_gauge_pa=206.84e5,
        ceiling_gauge_pa=258.6e5,
        ambient_k=294.15,
    )


def projected(seconds: float, bar: float, fill_id: str = FILL) -> Projected:
    return Projected(
        stamp=at(seconds),
        sample_s=T0 + seconds - 0.25,
        whip="1",
        fill_id=fill_id,
        phase=Phase.FILLING,
        gauge_pa=bar * 1e5,
        limit_gauge_pa=206.84e5,
        target_gauge_pa=206.84e5,
        reference_k=294.25,
        settled_gauge_pa=bar * 0.95e5,
        settled_low_gauge_pa=bar * 0.93e5,
        settled_high_gauge_pa=bar * 0.97e5,
        gas_k=320.0,
        wall_k=301.25,
        mass_kg=1.2345,
        rate_pa_s=41_667.0,
        rate_error_pa_s=500.0,
        seconds_to_stop=61.5,
    )


def ended(seconds: float, fill_id: str = FILL, whip: str = "1", **changes: object) -> FillEnded:
    summary = FillSummary(
        fill_id=fill_id,
        station="tern",
        whip=whip,
        serial="TH-0042",
        operator="op-1",
        gas=AIR,
        cylinder=CYLINDER,
        started_s=T0,
        flow_stopped_s=T0 + seconds - 120.0,
        ended_s=T0 + seconds,
        outcome=Outcome.FULL,
        start_gauge_pa=40e5,
        plateau_seen=True,
        close_gauge_pa=221.5e5,
        settled_gauge_pa=206.1e5,
        settled_low_gauge_pa=203.9e5,
        settled_high_gauge_pa=208.3e5,
        final_settled_gauge_pa=206.4e5,
        final_settled_low_gauge_pa=205.2e5,
        final_settled_high_gauge_pa=207.6e5,
        reference_k=294.25,
        limit_gauge_pa=206.84e5,
        target_gauge_pa=206.84e5,
        peak_rate_pa_s=50_000.0,
        peak_gauge_pa=222.0e5,
        gas_k_max=331.0,
        alarms=("too-fast",),
        findings=("valve-not-open",),
        readings=600,
        doubtful_readings=3,
    )
    return FillEnded(stamp=at(seconds), summary=replace(summary, **changes))


def alarm(seconds: float, number: int = 1, *, fill_id: str | None = FILL, **changes: object) -> AlarmChanged:
    name = str(changes.pop("alarm", "too-fast"))
    made = AlarmChanged(
        stamp=at(seconds),
        whip="1",
        fill_id=fill_id,
        serial="TH-0042",
        operator="op-1",
        alarm=name,
        occurrence=f"{fill_id or 'tern-1'}/{name}/{number}",
        priority=2,
        old=AlarmState.NORMAL,
        new=AlarmState.UNACKNOWLEDGED,
        cause="It rises faster than 30 bar/min.",
        raised_utc_s=T0 + seconds,
    )
    return replace(made, **changes)


def notice(change: AlarmChanged, channel: str = "shop-phone") -> OwedNotice:
    return OwedNotice(channel=channel, change=change, title="Whip 1: too fast", body="Throttle.")


def doubtful(quality: Quality = Quality.UNCERTAIN, doubt: Doubt = Doubt.LATE) -> dict[str, object]:
    return {"quality": quality, "doubt": doubt}


class Token:
    """An acknowledgement that writes its name into a shared list, and can be waited for."""

    def __init__(self, name: object, told: list[object]) -> None:
        self._name = name
        self._told = told
        self.done = Event()

    def acknowledge(self) -> None:
        self._told.append(self._name)
        self.done.set()


def writer(path: Path, **options: object) -> SqliteLedgerWriter:
    clock = options.pop("clock", None) or FakeClock(utc_s=T0)
    return SqliteLedgerWriter(path, OWNER, clock, **options)


def record(path: Path, *records: StepRecord) -> None:
    """Open, write all of `records`, close."""
    ledger = writer(path)
    for each in records:
        ledger.put(each)
    assert ledger.stop(PATIENCE_S) == 0


def pack_all(connection: sqlite3.Connection, *streams: str, days: float = 2.0) -> int:
    """Pack everything that may be packed `days` after `T0`, as the writer does when nobody waits; returns the turns."""
    turns = 0
    for stream in streams or ("reading", "projection"):
        packer = Packer(stream)
        more = True
        while more:
            connection.execute("BEGIN IMMEDIATE")
            more = packer.turn(connection, Recorder(connection), at(days * 86_400.0))
            connection.execute("COMMIT")
            turns += 1
    return turns
