"""Whatever comes in whatever order: what is recorded is read back equal, twice is once, and the chain holds."""

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillguard.core.errors import LedgerError
from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    Doubt,
    FillEnded,
    FillStarted,
    FindingMade,
    InEvent,
    OutEvent,
    Quality,
    Quantity,
    Reading,
    RulesChanged,
)
from fillguard.core.learned import Gathered
from fillguard.core.values import GasMix, Stamp
from fillguard.ledger import grid
from fillguard.ledger.chain import verify
from fillguard.ledger.codec import canonical, decode, decode_text, encode
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ports import Attempt, OwedNotice, StepRecord
from tests.ledger_facts import T0, alarm, at, record, started, step, tick
from tests.panel import real_rules

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
SECONDS = st.integers(0, 600_000).map(lambda ms: round(T0 * 1000 + ms) / 1000)
WORDS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)
st.register_type_strategy(float, NUMBERS)
st.register_type_strategy(int, st.integers())
st.register_type_strategy(str, WORDS)
STAMPS = st.builds(Stamp, mono_s=NUMBERS, utc_s=SECONDS)
READINGS = st.builds(
    Reading,
    stamp=STAMPS,
    source=st.sampled_from(["fill/tern/1/pressure", "fill/tern/2/pressure", "fill/tern/ambient"]),
    whip=st.sampled_from(["1", "2", None]),
    quantity=st.sampled_from(Quantity),
    value=st.one_of(st.integers(-100, 5_000_000).map(lambda steps: steps * 100.0), NUMBERS),
    sample_s=SECONDS,
    quality=st.sampled_from(Quality),
    doubt=st.none() | st.sampled_from(Doubt),
    seq=st.none() | st.integers(0, 5),
    boot=st.none() | st.sampled_from(["b1", "b2"]),
    device_s=st.none() | SECONDS,
)
st.register_type_strategy(
    Gathered,
    st.builds(
        Gathered,
        name=WORDS,
        weight=st.floats(0.0, 1e9),
        weighted=st.floats(-1e9, 1e9),
        lessons=st.integers(0, 10_000),
    ),
)
FACTS = st.from_type(AlarmChanged) | st.from_type(FindingMade)


def identity(reading: Reading) -> object:
    """Which message this was, as far as its sender said: a model of our own, beside the ledger's."""
    channel = (reading.source, reading.whip, reading.quantity)
    if reading.device_s is not None:
        return (*channel, round(reading.device_s * 1000), reading.value, reading.seq)
    if reading.boot is not None and reading.seq is not None:
        return (*channel, reading.boot, reading.seq, reading.value)
    return object()


def first_of_each(readings: list[Reading]) -> list[Reading]:
    seen: dict[object, Reading] = {}
    for reading in readings:
        seen.setdefault(identity(reading), reading)
    return list(seen.values())


@pytest.fixture(scope="module")
def new_ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[], Path]]:
    """A fresh ledger each time it is called: a copy of one that was made once."""
    pristine = tmp_path_factory.mktemp("pristine") / "ledger.sqlite3"
    record(pristine)
    with tempfile.TemporaryDirectory() as folder:
        made = iter(range(1_000_000))
        yield lambda: Path(shutil.copy(pristine, Path(folder) / f"{next(made)}.sqlite3"))


def read_back(path: Path) -> list[tuple[object, ...]]:
    with SqliteLedgerReader(path) as reader:
        return [
            (row.utc_s, row.sample_s, row.source, row.whip, row.quantity, row.value, row.quality, row.doubt)
            for row in reader.readings_after(0, 10_000)
        ]


def as_rows(readings: list[Reading]) -> list[tuple[object, ...]]:
    return [
        (each.stamp.utc_s, each.sample_s, each.source, each.whip, each.quantity, each.value, each.quality, each.doubt)
        for each in readings
    ]


@settings(max_examples=25)
@given(readings=st.lists(READINGS, max_size=40))
def test_any_readings_are_read_back_equal_each_message_once(
    new_ledger: Callable[[], Path], readings: list[Reading]
) -> None:
    path = new_ledger()
    record(path, *(step(each) for each in readings))
    assert read_back(path) == as_rows(first_of_each(readings))
    assert verify(path).ok


@settings(max_examples=25)
@given(readings=st.lists(READINGS, max_size=30), data=st.data())
def test_redelivery_after_a_crash_is_harmless(
    new_ledger: Callable[[], Path], readings: list[Reading], data: st.DataObject
) -> None:
    """Killed somewhere: everything from some earlier point comes again, later and with other clocks."""
    told = [each for each in readings if not isinstance(identity(each), type(object()))]
    crashed = data.draw(st.integers(0, len(told)))
    acknowledged = data.draw(st.integers(0, crashed))
    path = new_ledger()
    record(path, *(step(each) for each in told[:crashed]))
    record(path, *(step(replace(each, stamp=at(700))) for each in told[acknowledged:]))
    once = {(row[2], row[3], row[4], row[5]) for row in read_back(path)}
    assert len(read_back(path)) == len(first_of_each(told))
    assert once == {(row[2], row[3], row[4], row[5]) for row in as_rows(told)}


@settings(max_examples=25)
@given(steps=st.lists(st.lists(FACTS, max_size=4), max_size=12), cut=st.integers(0, 12))
def test_any_facts_are_read_back_equal_and_in_order_across_a_restart(
    new_ledger: Callable[[], Path], steps: list[list[OutEvent]], cut: int
) -> None:
    path = new_ledger()
    records = [StepRecord(cause=tick(number), facts=tuple(facts)) for number, facts in enumerate(steps)]
    record(path, *records[:cut])
    with SqliteLedgerReader(path) as reader:
        anchor = reader.anchor()
    record(path, *records[cut:])
    with SqliteLedgerReader(path) as reader:
        recorded = sorted((*reader.iter_alarms(), *reader.iter_events()), key=lambda row: row.row)
    assert [decode(row.body) for row in recorded] == [fact for facts in steps for fact in facts]
    assert verify(path, anchor).ok


@settings(max_examples=300)
@given(st.data())
def test_any_fact_survives_its_way_through_canonical_json(data: st.DataObject) -> None:
    kinds = (*get_args(InEvent), *get_args(OutEvent), Attempt, OwedNotice)
    kind = data.draw(st.sampled_from([kind for kind in kinds if not _CHECKED & _names(kind)]))
    st.register_type_strategy(GasMix, st.builds(GasMix, o2=st.floats(0.0, 1.0), he=st.just(0.0), air=st.booleans()))
    fact = data.draw(st.from_type(kind).filter(_finite))
    text = canonical(encode(fact))
    assert decode_text(text) == fact
    assert canonical(json.loads(text)) == text
    assert text.isascii()


_CHECKED = {"cylinder", "thresholds"}
"""Fields whose own checks hardly any drawn value would pass: tested by themselves."""


def _names(kind: type) -> set[str]:
    return {field.name for field in fields(kind)} | ({"cylinder"} if kind is FillEnded else set())


def _finite(fact: object) -> bool:
    return "nan" not in repr(fact) and "inf" not in repr(fact)


def test_thresholds_survive_their_way_through_canonical_json() -> None:
    changed = RulesChanged(
        stamp=at(0), rules_hash="c0ffee", summary="one", thresholds=real_rules().thresholds, by="op-1"
    )
    assert decode_text(canonical(encode(changed))) == changed


def test_a_cylinder_survives_its_way_through_canonical_json() -> None:
    fact = started()
    assert isinstance(fact, FillStarted)
    assert decode_text(canonical(encode(fact))) == fact


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('{"type":"Unheard"}', "type 'Unheard': this version does not know it"),
        ("{}", "type None"),
        ('{"type":"Tick"}', "cannot be read back"),
        ('{"type":"LampChanged","stamp":{"mono_s":1,"utc_s":2},"whip":"1","lamp":"purple"}', "cannot be read back"),
    ],
)
def test_what_cannot_be_read_back_is_an_error_that_says_why(text: str, says: str) -> None:
    with pytest.raises(LedgerError, match=says):
        decode_text(text)


def test_a_fact_of_a_later_version_is_read_without_what_it_added() -> None:
    text = '{"type":"Tick","stamp":{"mono_s":1,"utc_s":2,"leap":true},"moon":"full"}'
    assert decode_text(text).stamp == Stamp(mono_s=1.0, utc_s=2.0)


def test_what_no_fact_may_hold_is_refused() -> None:
    with pytest.raises(TypeError, match="cannot be recorded"):
        encode(replace(tick(0), stamp=object()))


@given(st.sampled_from(Quantity), NUMBERS | st.integers(-10_000, 10_000_000).map(float))
def test_any_value_is_stored_exactly(quantity: Quantity, value: float) -> None:
    stored = grid.stored_value(quantity, value)
    assert repr(grid.value_of(quantity, stored)) == repr(value)


@given(st.integers(-1_000, 10_000_000))
def test_what_lies_on_the_grid_is_stored_as_a_whole_number(steps: int) -> None:
    assert grid.stored_value(Quantity.PRESSURE, steps * 100.0) == steps
    assert grid.stored_value(Quantity.WALL, steps / 100.0) == steps
    assert isinstance(grid.stored_value(Quantity.WALL, steps / 100.0), int)


@pytest.mark.parametrize(
    ("codes", "words"), [(grid.QUALITIES, Quality), (grid.DOUBTS, Doubt), (grid.PHASES, grid.Phase)]
)
def test_every_word_has_a_code_of_its_own(codes: dict[object, int], words: type) -> None:
    assert set(codes) == set(words)
    assert len(set(codes.values())) == len(codes)


def test_every_state_of_an_alarm_is_recorded_by_its_name() -> None:
    assert all(encode(replace(alarm(0), new=state))["new"] == state.value for state in AlarmState)
