"""What becomes of a simulated day: a station on a broker, a capture file, fills to score an estimator on."""

import csv
import gzip
import json
import os
import signal
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from fillguard.bench.simulator import Trouble, generate_fills, simulate_to_capture, stop_on_signals
from fillguard.bench.simulator.publish import paced
from fillguard.bench.simulator.record import INVENTED_MORNING_UTC_S, capture_line
from fillguard.bench.simulator.sensors import SimMessage
from fillguard.core.errors import ConfigurationError
from fillguard.core.values import Stamp


class DrillClock:
    """Virtual time: moves on only when somebody waits."""

    def __init__(self, speed: float) -> None:
        self.utc_s = 1000.0
        self._speed = speed
        self.waited: list[float] = []

    def now(self) -> Stamp:
        return Stamp(mono_s=self.utc_s, utc_s=self.utc_s)

    def real_seconds(self, seconds: float) -> float:
        return seconds / self._speed

    def wait(self, real_s: float) -> bool:
        self.waited.append(real_s)
        self.utc_s += real_s * self._speed
        return False


class Outbox:
    def __init__(self) -> None:
        self.sent: list[tuple[float, SimMessage]] = []
        self.clock: DrillClock | None = None

    def send(self, message: SimMessage) -> None:
        assert self.clock is not None
        self.sent.append((self.clock.utc_s, message))


def note(t_s: float) -> SimMessage:
    return SimMessage(t_s=t_s, topic="fill/tern/1/pressure", payload=b"1", whip="1", reading=True)


def test_messages_leave_when_the_drill_clock_reaches_them() -> None:
    clock, outbox = DrillClock(speed=10.0), Outbox()
    outbox.clock = clock
    sent, late_s, early = paced(
        [note(0.0), note(5.0), note(6.0)], outbox, clock=clock, epoch_utc_s=1010.0, wait=clock.wait
    )
    assert (sent, late_s, early) == (3, 0.0, False)
    assert [at for at, _ in outbox.sent] == pytest.approx([1010.0, 1015.0, 1016.0])
    assert clock.waited == pytest.approx([1.0, 0.5, 0.1])  # ten times as fast as life


def test_message_whose_time_has_passed_leaves_at_once_and_its_lag_is_reported() -> None:
    clock, outbox = DrillClock(speed=10.0), Outbox()
    outbox.clock = clock
    _, late_s, _ = paced([note(0.0), note(2.0)], outbox, clock=clock, epoch_utc_s=997.0, wait=clock.wait)
    assert late_s == pytest.approx(3.0)
    assert clock.waited == [0.0, 0.0]


def test_stop_ends_the_run_before_the_next_message() -> None:
    stop, outbox, clock = threading.Event(), Outbox(), DrillClock(speed=1.0)
    outbox.clock = clock
    stop.set()
    assert paced([note(0.0)], outbox, clock=clock, epoch_utc_s=1000.0, wait=stop.wait) == (0, 0.0, True)
    assert outbox.sent == []


def test_capture_line_carries_arrival_topic_and_payload() -> None:
    line = json.loads(capture_line(note(1.25), INVENTED_MORNING_UTC_S))
    assert line == {"t": INVENTED_MORNING_UTC_S + 1.25, "topic": "fill/tern/1/pressure", "payload": "1"}


def test_truth_is_written_beside_the_capture(tmp_path: Path) -> None:
    scenario = tmp_path / "scenario.toml"
    scenario.write_text(
        '[station]\nid = "tern"\nduration_s = 20\n[[cylinder]]\nserial = "TH-0042"\nmaterial = "steel"\n'
        "water_volume_l = 12\nempty_mass_kg = 14\nrated_pressure_bar = 232\nreference_temperature_c = 15\n"
        '[[whip]]\nid = "1"\nact = [{ do = "attach", at_s = 1, cylinder = "TH-0042" }]\n',
        encoding="utf-8",
    )
    simulate_to_capture(scenario, tmp_path / "out.jsonl", truth_path=tmp_path / "truth.json")
    (fill,) = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert (fill["whip"], fill["serial"], fill["t_close"]) == ("1", "TH-0042", None)
    assert fill["p_cyl_end_bar_g"] == pytest.approx(50.0, abs=0.1)
    assert len(fill["trace"]["t"]) == len(fill["trace"]["p_cyl_bar_g"]) > 2


def test_half_written_capture_is_not_left_behind(tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text('[station]\nid = "tern"\nduration_s = 20\n[[whip]]\nid = "1"\n', encoding="utf-8")

    def fail(_: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        simulate_to_capture(broken, tmp_path / "out.jsonl", progress=fail)
    assert list(tmp_path.iterdir()) == [broken]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["SIGINT", "SIGTERM"])
def test_signal_asks_the_run_to_stop_and_is_handled_as_before_afterwards(number: signal.Signals) -> None:
    before = signal.getsignal(number)
    with stop_on_signals() as stop:
        assert not stop.is_set()
        os.kill(os.getpid(), number)
        assert stop.wait(30.0)
    assert signal.getsignal(number) == before


def test_generated_fills_are_the_same_for_the_same_seed_however_many_are_asked_for(tmp_path: Path) -> None:
    (one,) = generate_fills(1, 7, settle_s=20.0)
    again = next(generate_fills(9, 7, settle_s=20.0))
    for folder, fill in (("a", one), ("b", again)):
        (tmp_path / folder).mkdir()
        fill.write(tmp_path / folder)
    for name in ("fill_001.csv.gz", "fill_001.json"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_generated_fill_has_the_columns_and_the_truth_that_scoring_reads(tmp_path: Path) -> None:
    (fill,) = generate_fills(1, 3, kinds=("TW12",), heats=("measured",), troubles=(), settle_s=60.0, first_number=12)
    fill.write(tmp_path)
    with gzip.open(tmp_path / "fill_012.csv.gz", "rt", encoding="utf-8") as rows:
        table = list(csv.DictReader(rows))
    assert set(table[0]) == {"t_s", "ch", "value"}
    assert {row["ch"] for row in table} >= {"P"}
    content = json.loads((tmp_path / "fill_012.json").read_text(encoding="utf-8"))
    given, truth = content["given"], content["truth"]
    assert given["cylinder"] | {"service_standard": ""} == {
        "kind": "TW12",
        "count": 2,
        "water_volume_l": 24.0,
        "water_volume_l_each": 12.0,
        "material": "steel",
        "rated_pressure_bar": 232.0,
        "reference_temperature_c": 15.0,
        "service_standard": "",
        "empty_mass_kg_each": 14.0,
    }
    assert truth["settled_ref_bar_g"] == pytest.approx(truth["settled_bar_g"]["15"], abs=0.01)
    assert truth["settled_ref_bar_g"] < truth["p_cyl_close_bar_g"]
    assert truth["record_s"] == pytest.approx(truth["t_close"] + 60.0, abs=0.2)
    assert truth["trouble"] is None
    lengths = {len(column) for column in truth["trace"].values()}
    assert len(lengths) == 1
    assert abs(truth["mass_close_kg"] / 24e-3 - 200.0) < 80.0  # both cylinders of the set


@pytest.mark.parametrize("trouble", list(Trouble), ids=[trouble.value for trouble in Trouble])
def test_generated_trouble_shows_in_the_truth(trouble: Trouble) -> None:
    fill = next(
        one
        for one in generate_fills(12, 2, kinds=("TW12",), troubles=(trouble,), settle_s=60.0)
        if one.truth["trouble"] == trouble.value
    )
    truth = fill.truth
    shows: dict[Trouble, Callable[[], bool]] = {
        Trouble.VALVE_PARTLY_OPEN: lambda: truth["valve_partly_open"] and truth["valve_drop_max_bar"] > 5.0,
        Trouble.VALVE_OPENED_LATE: lambda: truth["valve_drop_max_bar"] > 50.0,
        Trouble.SLOW_LEAK: lambda: truth["slow_leak"] and truth["leaked_kg"] > 0.0,
        Trouble.DISC_BURST: lambda: truth["burst_disc"] and truth["at_burst"] is not None,
        Trouble.SENSOR_STUCK: lambda: len(truth["sensor_stuck"]) == 1,
        Trouble.SENSOR_SILENT: lambda: len(truth["sensor_dropout"]) == 1,
        Trouble.GAUGE_OFF: lambda: abs(truth["gauge_gain"] - 1.0) > 0.006,
        Trouble.PAUSED: lambda: truth["fill_min"] > 0.5,
        Trouble.HALF_SET: lambda: abs(truth["mass_close_kg"] / 12e-3 - 200.0) < 80.0,
    }
    assert shows[trouble]()


def test_unknown_kind_of_cylinder_is_answered_with_the_known_ones() -> None:
    with pytest.raises(ConfigurationError, match="AL111, ST12"):
        next(generate_fills(1, 1, kinds=("AL80",)))
