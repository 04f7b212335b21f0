"""What people read: notices, alarm texts, the line on a lane."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.events import (
    AlarmChanged,
    AlarmFacts,
    AlarmState,
    Chatter,
    Phase,
    Projected,
    Prompt,
)
from fillguard.core.rules import AlarmRule
from fillguard.core.standing import FILL_ENDED, NEW_FILL
from fillguard.core.units import k_from_c, pa_from_bar, pa_from_psi
from fillguard.core.values import Stamp
from fillguard.core.words import (
    TITLE_AT_MOST,
    Notice,
    UnitChoice,
    alarm_phrase,
    alarm_text,
    bleed_text,
    finding_phrase,
    notice,
    prompt_text,
    settled_text,
)

S = AlarmState
BAR = UnitChoice()
PSI = UnitChoice(pressure="psi", temperature="F")
RULE = AlarmRule(
    name="overfill", priority=1, cause="the projected settled pressure is above the limit", consequence="harm",
    action="Close this whip's panel valve.", basis="published: x", shelvable=False, latched=True,
)  # fmt: skip
FACTS = AlarmFacts(
    gauge_pa=pa_from_bar(231), settled_gauge_pa=pa_from_bar(214), settled_low_gauge_pa=pa_from_bar(208),
    settled_high_gauge_pa=pa_from_bar(220), limit_gauge_pa=pa_from_psi(3000), reference_k=k_from_c(15),
    bleed_to_gauge_pa=pa_from_bar(222.9),
)  # fmt: skip
RAISED = AlarmChanged(
    stamp=Stamp(mono_s=7, utc_s=1_795_558_007), whip="2", fill_id="tern-2-20261124T101010Z", serial="TH-0042",
    operator="op-1", alarm="overfill", occurrence="tern-2-20261124T101010Z/overfill/1", priority=1, old=S.NORMAL,
    new=S.UNACKNOWLEDGED, cause="the projected settled pressure is above this cylinder's limit", facts=FACTS,
    raised_utc_s=1_795_558_007,
)  # fmt: skip


def told(
    change: AlarmChanged, units: UnitChoice = BAR, *, drill: bool = False, recorded: bool | None = None, repeat: int = 1
) -> Notice:
    return notice(
        change,
        RULE,
        units,
        station_name="Tern Harbour",
        time_text="10:12:31",
        drill=drill,
        recorded=recorded,
        repeat=repeat,
    )


def test_a_notice_says_what_where_how_much_what_to_do_and_since_when() -> None:
    assert told(RAISED) == Notice(
        title="STOP - whip 2: projected overfill",
        body="""\
The projected settled pressure is above this cylinder's limit.
Tern Harbour: Whip 2, cylinder TH-0042, operator op-1.
About 214 bar settled at 15 C (208 to 220), limit 207; gauge 231 bar; bleed-to gauge now 222 bar.
What to do: Close this whip's panel valve.
Raised 10:12:31.
Occurrence tern-2-20261124T101010Z/overfill/1""",
    )


def test_the_same_in_psi_and_fahrenheit() -> None:
    line = "About 3100 psi settled at 59 F (3020 to 3190), limit 3000; gauge 3350 psi; bleed-to gauge now 3230 psi."
    assert line in told(RAISED, PSI).body.splitlines()


def test_an_alarm_text_is_one_paragraph_with_everything_a_person_needs() -> None:
    text = alarm_text(RAISED, RULE, BAR)
    assert "\n" not in text
    for part in ("Whip 2, cylinder TH-0042", "(208 to 220), limit 207", "What to do: Close this whip's panel valve."):
        assert part in text


def test_without_numbers_it_names_none() -> None:
    bare = replace(RAISED, facts=AlarmFacts(), serial=None, operator=None, cause="")
    assert alarm_text(bare, RULE, BAR) == (
        "The projected settled pressure is above the limit. Whip 2. What to do: Close this whip's panel valve."
    )


def test_a_projection_close_to_the_limit_is_shown_finer_than_the_limit_it_passed() -> None:
    near = replace(
        FACTS, settled_gauge_pa=pa_from_bar(207.1), settled_low_gauge_pa=pa_from_bar(206),
        settled_high_gauge_pa=pa_from_bar(209),
    )  # fmt: skip
    assert settled_text(near, BAR) == "about 207.1 bar settled at 15 C (206.0 to 209.0), limit 206.8"
    assert settled_text(near, PSI) == "about 3004 psi settled at 59 F (2988 to 3031), limit 3000"


def test_an_estimate_says_what_is_known_of_it() -> None:
    assert settled_text(AlarmFacts(), BAR) == ""
    assert settled_text(AlarmFacts(settled_gauge_pa=pa_from_bar(214)), BAR) == "about 214 bar settled"


@pytest.mark.parametrize(
    ("alarm", "facts", "line"),
    [
        (
            "too-fast",
            AlarmFacts(rate_pa_s=pa_from_bar(42) / 60, rate_limit_pa_s=pa_from_bar(30) / 60),
            "42 bar/min, limit 30 bar/min.",
        ),
        (
            "sudden-loss",
            AlarmFacts(rate_pa_s=pa_from_bar(-6.4), gauge_pa=pa_from_bar(150)),
            "Gauge 150 bar; falling by 6.4 bar/s.",
        ),
        ("leak", AlarmFacts(rate_pa_s=pa_from_bar(-4) / 3600), "Falling by 4.0 bar/h."),
        (
            "monitoring-lost",
            AlarmFacts(silent_s=7.0, gauge_pa=pa_from_bar(183)),
            "No data for 7 s; last gauge 183 bar.",
        ),
        ("wall-hot", AlarmFacts(wall_k=k_from_c(61)), "Wall 61 C."),
        ("gas-hot", AlarmFacts(gas_k=k_from_c(66)), "Gas about 66 C."),
        (
            "over-ceiling",
            AlarmFacts(gauge_pa=pa_from_bar(260), ceiling_gauge_pa=pa_from_bar(258.6)),
            "Gauge 260 bar; ceiling 258 bar.",
        ),
        (
            "will-overfill",
            AlarmFacts(gauge_pa=pa_from_bar(223), close_at_gauge_pa=pa_from_bar(221.7)),
            "Gauge 223 bar; close-at gauge 221 bar.",
        ),
        (
            "whip-over-rating",
            AlarmFacts(gauge_pa=pa_from_bar(352), limit_gauge_pa=pa_from_bar(350)),
            "Gauge 352 bar; limit 350 bar.",
        ),
    ],
    ids=lambda value: value if isinstance(value, str) and "bar" not in value else "",
)
def test_each_alarm_gives_its_own_numbers_with_their_units(alarm: str, facts: AlarmFacts, line: str) -> None:
    assert line in told(replace(RAISED, alarm=alarm, facts=facts)).body.splitlines()


EVERYTHING = replace(
    FACTS, ceiling_gauge_pa=pa_from_bar(258.6), rate_pa_s=pa_from_bar(42) / 60, rate_limit_pa_s=pa_from_bar(30) / 60,
    gas_k=k_from_c(50), wall_k=k_from_c(30), close_at_gauge_pa=pa_from_bar(221), silent_s=1.0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("alarm", "line"),
    [
        ("too-fast", "42 bar/min, limit 30 bar/min; gauge 231 bar."),
        ("over-ceiling", "Gauge 231 bar; ceiling 258 bar."),
        ("sudden-loss", "Gauge 231 bar."),
        ("leak", "About 214 bar settled at 15 C (208 to 220), limit 207."),
        ("unidentified", "Gauge 231 bar; limit 207 bar."),
        ("not-fit", "Gauge 231 bar."),
    ],
)
def test_where_everything_is_known_only_what_is_to_the_point_is_told(alarm: str, line: str) -> None:
    assert line in told(replace(RAISED, alarm=alarm, facts=EVERYTHING)).body.splitlines()


@pytest.mark.parametrize(("priority", "word"), [(1, "STOP"), (2, "ACT"), (3, "NOTE")])
def test_the_first_word_is_the_priority(priority: int, word: str) -> None:
    assert told(replace(RAISED, priority=priority)).title == f"{word} - whip 2: projected overfill"


def test_an_alarm_of_the_station_names_no_whip() -> None:
    change = replace(RAISED, alarm="record-failing", whip=None, fill_id=None, serial=None, operator=None)
    assert told(change).title == "STOP - station: nothing is recorded"
    assert "Tern Harbour: The station." in told(change).body.splitlines()


# What became of it ----------------------------------------------------------------------------------------------------

BECAME = {
    "ended, unacknowledged": (
        {"old": S.UNACKNOWLEDGED, "new": S.RETURNED_UNACKNOWLEDGED},
        "Ended", "Ended. It was: ", "Still to be acknowledged.",
    ),
    "ended, acknowledged": ({"old": S.ACKNOWLEDGED, "new": S.NORMAL}, "Ended", "Ended. It was: ", ""),
    "ended, latched": (
        {"old": S.UNACKNOWLEDGED, "new": S.LATCHED_UNACKNOWLEDGED},
        "Ended", "Ended. It was: ", "Still to be acknowledged, then reset by the person who says what was done.",
    ),
    "acknowledged, still there": (
        {"old": S.UNACKNOWLEDGED, "new": S.ACKNOWLEDGED, "by": "op-2"},
        "Acknowledged", "Acknowledged by op-2. It was: ", "What to do: Close this whip's panel valve.",
    ),
    "acknowledged after it ended": (
        {"old": S.RETURNED_UNACKNOWLEDGED, "new": S.NORMAL, "by": "op-2"},
        "Ended", "Acknowledged by op-2. It was: ", "",
    ),
    "reset": (
        {"old": S.LATCHED_ACKNOWLEDGED, "new": S.NORMAL, "by": "op-2", "reason": "bled to 205"},
        "Ended", "Reset by op-2: bled to 205. It was: ", "",
    ),
    "shelved": (
        {"old": S.UNACKNOWLEDGED, "new": S.SHELVED, "by": "op-2", "reason": "sensor on the bench"},
        "Shelved", "Shelved by op-2: sensor on the bench. It was: ", "",
    ),
    "suppressed": (
        {"old": S.UNACKNOWLEDGED, "new": S.SUPPRESSED, "reason": "whip-only"},
        "Suppressed", "Suppressed: cylinder valve is shut, only the hose is at pressure. It was: ", "",
    ),
    "shown again": (
        {"old": S.SHELVED, "new": S.NORMAL, "by": "op-2"},
        "Ended", "Shown again by op-2, no longer there. It was: ", "",
    ),
    "left over by a new fill": (
        {"old": S.UNACKNOWLEDGED, "new": S.LATCHED_UNACKNOWLEDGED, "reason": NEW_FILL},
        "No longer judged", "No longer judged: a new fill began on this whip. It was: ",
        (
            "What to do: Close this whip's panel valve. "
            "Still to be acknowledged, then reset by the person who says what was done."
        ),
    ),
    "left when the fill ended": (
        {"old": S.ACKNOWLEDGED, "new": S.NORMAL, "reason": FILL_ENDED},
        "No longer judged", "No longer judged: the fill has ended. It was: ", "",
    ),
    "called again": (
        {"old": S.UNACKNOWLEDGED, "new": S.UNACKNOWLEDGED},
        "STOP", "Not acknowledged yet. The projected", "What to do: Close this whip's panel valve.",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("change", "call", "begins", "asks"), BECAME.values(), ids=BECAME)
def test_what_became_of_an_alarm_is_said_first_and_what_is_still_asked_after(
    change: dict[str, object], call: str, begins: str, asks: str
) -> None:
    now = replace(RAISED, **change)  # type: ignore[arg-type]
    said = told(now)
    assert said.title == f"{call} - whip 2: projected overfill"
    assert said.body.startswith(begins)
    lines = said.body.splitlines()
    assert (asks in lines) if asks else not any(line.startswith(("What to do", "Still")) for line in lines)


def test_no_return_could_be_read_as_overfilled() -> None:
    for change, *_ in BECAME.values():
        now = replace(RAISED, **change)  # type: ignore[arg-type]
        assert not told(now).title.lower().startswith("over")


def test_a_drill_says_so_first() -> None:
    said = told(RAISED, drill=True)
    assert said.title == "DRILL STOP - whip 2: projected overfill"
    assert said.body.startswith("DRILL: practice, nothing of this is real.\n")
    assert "DRILL" not in told(RAISED).title + told(RAISED).body


@pytest.mark.parametrize(("recorded", "said"), [(False, True), (None, False), (True, False)])
def test_only_a_ledger_that_takes_no_rows_is_called_not_recorded(*, recorded: bool | None, said: bool) -> None:
    assert ("Not recorded" in told(RAISED, recorded=recorded).body) is said


def test_a_repeat_is_marked_with_its_number() -> None:
    said = told(RAISED, repeat=2)
    assert said.title == "STOP - whip 2: projected overfill (repeat 2)"
    assert "Repeat 2: the last one may have arrived." in said.body.splitlines()
    assert "epeat" not in told(RAISED).title + told(RAISED).body


def test_first_out_and_chattering_are_said() -> None:
    body = told(replace(RAISED, first_out=True, chatter=Chatter.BEGAN)).body
    assert "Raised 10:12:31. First alarm of this fill." in body.splitlines()
    assert "It comes and goes: raised three times within a minute." in body.splitlines()


@given(st.text(min_size=1, max_size=120), st.integers(1, 99), st.booleans())
def test_no_title_is_too_long_and_none_loses_its_marks(whip: str, repeat: int, drill: bool) -> None:  # noqa: FBT001 - drawn
    title = told(replace(RAISED, whip=whip), drill=drill, repeat=repeat).title
    assert len(title) <= TITLE_AT_MOST
    assert title.startswith("DRILL STOP - " if drill else "STOP - ")
    assert title.endswith(f"(repeat {repeat})") is (repeat > 1)


# The lane -------------------------------------------------------------------------------------------------------------

FILLING = Projected(
    stamp=Stamp(mono_s=7, utc_s=1_795_558_007), sample_s=1_795_558_007, whip="2", fill_id="f", phase=Phase.FILLING,
    gauge_pa=pa_from_bar(180), limit_gauge_pa=pa_from_bar(207), target_gauge_pa=pa_from_bar(207),
    reference_k=k_from_c(15), settled_gauge_pa=pa_from_bar(170), close_at_gauge_pa=pa_from_bar(221.9),
    seconds_to_stop=100.0,
)  # fmt: skip
CAPPED = replace(
    FILLING, close_at_gauge_pa=pa_from_bar(214), close_at_cap="hot-allowance",
    close_at_settles_gauge_pa=pa_from_bar(196), seconds_to_stop=None,
)  # fmt: skip


@pytest.mark.parametrize(
    ("prompt", "projected", "text"),
    [
        (None, FILLING, "close at 221 bar, in 1:40"),
        (None, replace(FILLING, seconds_to_stop=None), "close at 221 bar"),
        (None, CAPPED, "close at 214 bar (shop's hot allowance): settles at 196 bar, 11 short; let it cool, top up"),
        (
            None,
            replace(CAPPED, close_at_gauge_pa=pa_from_bar(205), close_at_cap="supply", close_at_settles_gauge_pa=None),
            "close at 205 bar (the supply ends there)",
        ),
        (None, replace(FILLING, close_at_gauge_pa=None, reason="whip-only"), ""),
        (None, None, ""),
        (Prompt.GET_READY, replace(FILLING, seconds_to_stop=44.0), "get ready: close at 221 bar, in 44 s"),
        (Prompt.GET_READY, None, "get ready"),
        (Prompt.CLOSE_NOW, FILLING, "close now: 221 bar"),
        (Prompt.CLOSE_NOW, None, "close now"),
        (Prompt.LET_IT_COOL, CAPPED, "let it cool, top up: settles at 196 bar, 11 short"),
        (Prompt.LET_IT_COOL, None, "let it cool, top up"),
        (Prompt.CHANGE_BANK, FILLING, "change bank"),
        (Prompt.OPEN_EMPTIER_FIRST, FILLING, "open the emptier one first, slowly"),
    ],
)
def test_the_lane_asks_in_one_line(prompt: Prompt | None, projected: Projected | None, text: str) -> None:
    assert prompt_text(prompt, projected, BAR) == text


def test_the_lane_in_psi() -> None:
    assert prompt_text(None, FILLING, PSI) == "close at 3210 psi, in 1:40"


def test_a_supply_that_ends_first_asks_to_change_the_bank() -> None:
    ends = replace(CAPPED, close_at_cap="supply")
    assert prompt_text(None, ends, BAR).endswith("settles at 196 bar, 11 short; change bank")


def test_a_lane_that_is_over_shows_what_to_bleed_to_rounded_down() -> None:
    assert bleed_text(replace(FILLING, bleed_to_gauge_pa=pa_from_bar(205.9)), BAR) == "bleed slowly to 205 bar"
    assert bleed_text(FILLING, BAR) == bleed_text(None, BAR) == ""


def test_findings_and_alarms_without_a_phrase_of_their_own_read_without_hyphens() -> None:
    assert finding_phrase("whip-only") == "cylinder valve is shut, only the hose is at pressure"
    assert finding_phrase("something-new") == "something new"
    assert alarm_phrase("something-new") == "something new"


def test_a_target_that_was_passed_is_told_beside_what_it_will_settle_at() -> None:
    facts = replace(FACTS, target_gauge_pa=pa_from_bar(180), settled_gauge_pa=pa_from_bar(184))
    text = alarm_text(replace(RAISED, alarm="over-target", priority=3, facts=facts), RULE, BAR)

    assert "target 180 bar" in text
    assert "184 bar" in text
