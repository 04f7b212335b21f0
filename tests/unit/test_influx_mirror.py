"""The mirror's own logic: lines as the protocol wants them, refused ones set aside, the rest sent in order."""

import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillguard.outlets import influx
from fillguard.outlets.influx import Answer
from fillguard.outlets.lines import projection_line, reading_line
from fillguard.ports import ProjectionRow
from tests.mirror_fakes import Bench, FakeRows, reading_row

PLACE = "fill=tern-1-20231114T221320Z,serial=TH-0042,source=fill/tern/1/pressure,station=tern,whip=1"


# --- lines -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"value": 183.2e5}, f"fill_sample,{PLACE} pressure_bar=183.2 1700000001250"),
        ({"quantity": "wall", "value": 301.15}, f"fill_sample,{PLACE} wall_c=28.0 1700000001250"),
        ({"quantity": "o2_fraction", "value": 0.32}, f"fill_sample,{PLACE} o2_fraction=0.32 1700000001250"),
        ({"quantity": "loop_current", "value": 0.0125}, f"fill_sample,{PLACE} loop_ma=12.5 1700000001250"),
        ({"quality": "bad", "value": 0.0}, f"fill_sample,{PLACE} bad_pressure_bar=0.0 1700000001250"),
        ({"quality": "uncertain", "value": 1e5}, f"fill_sample,{PLACE} pressure_bar=1.0 1700000001250"),
        (
            {"whip": None, "fill_id": None, "serial": "", "source": "s", "quantity": "ambient", "value": 293.15},
            "fill_sample,source=s,station=tern ambient_c=20.0 1700000001250",
        ),
        ({"value": float("nan")}, None),
    ],
)
def test_a_reading_is_one_line(changes: dict[str, object], line: str | None) -> None:
    assert reading_line("tern", replace(reading_row(1), **changes)) == line


@pytest.mark.parametrize(
    ("serial", "tag"),
    [
        ("TH 0042", "TH\\ 0042"),
        ("a,b=c", "a\\,b\\=c"),
        ("line\nbreak\tand\0more", "line\\ break\\ and\\ more"),
        ("back\\slash\\", "back/slash/"),
        (" edges ", "edges"),
        ("Flasche-Ä-瓶", "Flasche-Ä-瓶"),
    ],
)
def test_tags_are_escaped_as_the_protocol_wants(serial: str, tag: str) -> None:
    line = reading_line("tern", replace(reading_row(1), serial=serial))
    assert line is not None
    assert f",serial={tag}," in line


def projection_row(**changes: object) -> ProjectionRow:
    return ProjectionRow(
        **(
            dict.fromkeys(ProjectionRow.__dataclass_fields__)
            | {
                "row": 1,
                "fill_id": "f",
                "whip": "1",
                "serial": None,
                "sample_s": 1_700_000_000.25,
                "phase": "filling",
            }
            | changes
        )
    )


def test_a_projection_is_one_line_of_what_is_known() -> None:
    row = projection_row(settled_gauge_pa=206.1e5, settled_low_gauge_pa=203.9e5, rate_pa_s=50_000.0, gas_k=331.15)
    assert projection_line("tern", row) == (
        "fill_sample,fill=f,station=tern,whip=1 "
        "settled_bar=206.1,settled_low_bar=203.9,gas_c=58.0,rate_bar_min=30.0 1700000000250"
    )
    assert projection_line("tern", projection_row(reason="whip-only")) is None


def test_the_client_library_is_not_loaded_before_it_is_needed() -> None:
    loaded = (
        "import sys, fillguard.outlets.influx; print(any(name.startswith('influxdb_client') for name in sys.modules))"
    )
    assert (
        subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True, check=True).stdout == "False\n"
    )


# --- refusals and retries --------------------------------------------------------------------------------------------


class FakeLines:
    """A server that refuses some lines for what they hold, and fails now and then for no fault of theirs."""

    def __init__(self, refused: frozenset[int], failures: list[Answer | None]) -> None:
        self._refused = {reading_line("tern", reading_row(row)) for row in refused}
        self._failures = failures
        self.stored: list[str] = []
        self.requests = 0
        self.closed = 0

    def write(self, lines: Sequence[str]) -> Answer:
        self.requests += 1
        if self._failures and (failure := self._failures.pop(0)) is not None:
            return failure
        if self._refused & set(lines):
            return Answer(at_fault=True, status=400, reason="400 unable to parse")
        self.stored.extend(lines)
        return Answer(stored=True, status=204)

    def close(self) -> None:
        self.closed += 1


def mirrored(rows: FakeRows, lines: FakeLines, last: int) -> Bench:
    bench = Bench("http://nowhere", rows, open_lines=lambda _target, _clock: lines)
    with bench:
        bench.progress.wait_for("influx/reading", last)
    return bench


@settings(max_examples=60)
@given(
    count=st.integers(1, 60),
    refused=st.frozensets(st.integers(1, 60), max_size=12),
    failures=st.lists(st.sampled_from([Answer(status=503), Answer(reason="refused"), Answer(status=401)]), max_size=4),
)
def test_exactly_the_refused_rows_are_set_aside_and_every_other_arrives_once_in_order(
    count: int, refused: frozenset[int], failures: list[Answer]
) -> None:
    rows = [reading_row(number) for number in range(1, count + 1)]
    lines = FakeLines(refused, list(failures))
    bench = mirrored(FakeRows(rows), lines, count)
    assert lines.stored == [reading_line("tern", row) for row in rows if row.row not in refused]
    aside = [row for each in bench.progress.quarantined for row in range(each.first_row, each.last_row + 1)]
    assert aside == sorted(row for row in refused if row <= count)
    moves = [row for _, row in bench.progress.order]
    assert moves == sorted(moves), "the cursor never goes back"
    assert len(bench.pauses) == len(failures)


def test_refused_neighbours_are_one_entry_and_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(influx, "BATCH_LINES", 16)
    rows = [reading_row(number) for number in range(1, 33)]
    bench = mirrored(FakeRows(rows), FakeLines(frozenset({5, 6, 7, 20}), []), 32)
    assert [(each.stream, each.first_row, each.last_row, each.status) for each in bench.progress.quarantined] == [
        ("reading", 5, 7, 400),
        ("reading", 20, 20, 400),
    ]
    assert bench.health.told == [
        (False, "rows 5 to 7 of reading were refused and passed over (400 unable to parse); the ledger keeps them")
    ]


def test_one_refused_line_in_a_full_batch_is_found_in_few_requests() -> None:
    rows = [reading_row(number) for number in range(1, 5001)]
    lines = FakeLines(frozenset({3333}), [])
    mirrored(FakeRows(rows), lines, 5000)
    assert len(lines.stored) == 4999
    assert lines.requests <= 2 * 13 + 1, "twice the logarithm of 5000"


def test_waits_grow_to_a_minute_and_begin_anew_after_success(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(influx, "BATCH_LINES", 1)
    busy = Answer(status=503, reason="503 busy")
    lines = FakeLines(frozenset(), [*[busy] * 8, None, busy, busy])
    bench = mirrored(FakeRows([reading_row(1), reading_row(2)]), lines, 2)
    assert bench.pauses == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0, 1.0, 2.0]
    assert bench.health.told == [(False, "503 busy"), (True, "it follows again")] * 2


def test_the_server_is_asked_no_sooner_than_it_wishes() -> None:
    lines = FakeLines(frozenset(), [Answer(status=429, reason="429", retry_after_s=17.0)])
    assert mirrored(FakeRows([reading_row(1)]), lines, 1).pauses == [17.0]


def test_the_mirror_goes_on_from_its_cursor_and_passes_over_what_gives_no_line() -> None:
    rows = [reading_row(1), reading_row(2), replace(reading_row(3), value=float("inf"))]
    lines = FakeLines(frozenset(), [])
    mirrored(FakeRows(rows, {"influx/reading": 1}), lines, 3)
    assert lines.stored == [reading_line("tern", rows[1])]


def test_it_says_how_far_it_is_behind() -> None:
    dead = FakeLines(frozenset(), [Answer(reason="refused")] * 100_000)
    rows = FakeRows([reading_row(number) for number in range(1, 8)], {"influx/reading": 2})
    with Bench("http://nowhere", rows, open_lines=lambda _target, _clock: dead) as bench:
        bench.wait_for_pauses(2)
        assert bench.mirror.lag == 5
        rows.rows = [reading_row(number) for number in range(1, 12)]
        bench.wait_for_pauses(len(bench.pauses) + 2)
        assert bench.mirror.lag == 9


def test_a_ledger_that_cannot_be_read_is_told_and_tried_again() -> None:
    class Failing(FakeRows):
        faults = 3

        def readings_after(self, row: int, limit: int) -> list[object]:
            if self.faults:
                self.faults -= 1
                raise OSError("no such disk")
            return super().readings_after(row, limit)

    lines = FakeLines(frozenset(), [])
    bench = mirrored(Failing([reading_row(1)]), lines, 1)
    assert bench.health.told == [(False, "OSError: no such disk"), (True, "it follows again")]
    assert lines.closed == 4


def test_stopping_in_the_middle_of_a_dead_server_leaves_the_rest_for_the_next_start() -> None:
    dead = FakeLines(frozenset(), [Answer(reason="refused")] * 100_000)
    with Bench("http://nowhere", FakeRows([reading_row(1)]), open_lines=lambda _target, _clock: dead) as bench:
        bench.wait_for_pauses(3)
    assert bench.progress.cursors == {}
    assert dead.closed == 1


def test_asked_to_send_again_it_goes_back_once_and_forgets_that_it_was_asked() -> None:
    rows = FakeRows([reading_row(row) for row in range(1, 11)], {"influx/reading": 10, "influx/resend/reading": 8})
    lines = FakeLines(frozenset(), [])
    bench = mirrored(rows, lines, 10)
    assert lines.stored == [reading_line("tern", reading_row(row)) for row in (8, 9, 10)]
    assert bench.progress.order[:2] == [("influx/reading", 7), ("influx/resend/reading", 0)]
    assert bench.progress.order.count(("influx/resend/reading", 0)) == 1


def test_far_behind_is_told_until_it_has_caught_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(influx, "FAR_BEHIND", 20)
    monkeypatch.setattr(influx, "BATCH_LINES", 10)
    rows = FakeRows([reading_row(row) for row in range(1, 61)])
    bench = mirrored(rows, FakeLines(frozenset(), []), 60)
    assert [ok for ok, _ in bench.health.told] == [False, True]
    assert "50 rows behind" in bench.health.told[0][1]
