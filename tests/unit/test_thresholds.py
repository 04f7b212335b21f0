"""Which of two sets of thresholds is stricter, number by number: an open fill is held to the stricter of both."""

from dataclasses import replace

import pytest

from fillguard.core.thresholds import AlarmRule, Thresholds, WhipRules
from fillguard.core.units import PA_PER_BAR, k_from_c

RULE = AlarmRule(
    name="too-fast",
    priority=2,
    cause="fast",
    consequence="hot",
    action="Throttle.",
    basis="practice: 30",
    setpoint=30.0,
    deadband=3.0,
    on_delay_s=10.0,
    off_delay_s=10.0,
    realarm_s=300.0,
    variants={"oxygen-rich": 5.0},
    priorities={"blending-stage": 2},
    suppressed_by=("whip-only", "bled"),
)


@pytest.mark.parametrize(
    ("changed", "holds"),
    [
        pytest.param({"setpoint": 25.0}, {"setpoint": 25.0}, id="a lower setpoint counts at once"),
        pytest.param({"setpoint": 35.0}, {"setpoint": 30.0}, id="a higher one waits"),
        pytest.param({"strict": "higher", "setpoint": 35.0}, {"setpoint": 35.0}, id="the other way round, it counts"),
        pytest.param({"strict": "higher", "setpoint": 25.0}, {"setpoint": 30.0}, id="the other way round, it waits"),
        pytest.param({"on_delay_s": 5.0}, {"on_delay_s": 5.0}, id="a shorter on-delay counts at once"),
        pytest.param({"on_delay_s": 20.0}, {"on_delay_s": 10.0}, id="a longer one waits"),
        pytest.param(
            {"variants": {"oxygen-rich": 4.0}}, {"variants": {"oxygen-rich": 4.0}}, id="a stricter case counts at once"
        ),
        pytest.param(
            {"variants": {"oxygen-rich": 6.0, "air.steel": 20.0}},
            {"variants": {"oxygen-rich": 5.0, "air.steel": 20.0}},
            id="a looser case waits, a new stricter one counts",
        ),
        pytest.param(
            {"variants": {"air.steel": 40.0}},
            {"variants": {"oxygen-rich": 5.0, "air.steel": 30.0}},
            id="a case that is taken out stays, a new looser one is held to what held before",
        ),
        pytest.param({"priority": 1, "shelvable": False}, {"priority": 1, "shelvable": False}, id="graver at once"),
        pytest.param({"priority": 3}, {"priority": 2}, id="less grave later"),
        pytest.param({"priorities": {}}, {"priorities": {"blending-stage": 2}}, id="a graver case stays"),
        pytest.param({"latched": True}, {"latched": True}, id="latching at once"),
        pytest.param({"suppressed_by": ("whip-only",)}, {"suppressed_by": ("whip-only",)}, id="less hidden at once"),
        pytest.param({"suppressed_by": ()}, {"suppressed_by": ()}, id="never hidden at once"),
        pytest.param({"deadband": 9.0, "off_delay_s": 1.0}, {"deadband": 9.0, "off_delay_s": 1.0}, id="how it returns"),
        pytest.param({"realarm_s": None}, {"realarm_s": None}, id="how it calls again, at once"),
        pytest.param({"action": "Stop."}, {"action": "Stop."}, id="words at once"),
    ],
)
def test_the_stricter_of_old_and_new_holds(changed: dict[str, object], holds: dict[str, object]) -> None:
    new = replace(RULE, **changed)  # type: ignore[arg-type]
    kept = new.stricter_than(RULE)
    assert {key: getattr(kept, key) for key in holds} == holds
    assert new.stricter_than(kept) == kept, "loading the same once more changes nothing"


def test_a_whip_keeps_the_rating_that_stands_for_less_gas() -> None:
    warm = WhipRules(whip="1", lowest_rating_gauge_pa=207 * PA_PER_BAR, lowest_rating_reference_k=k_from_c(21.1))
    cool = WhipRules(whip="1", lowest_rating_gauge_pa=206 * PA_PER_BAR, lowest_rating_reference_k=k_from_c(15.0))
    # 206 bar at 15 C is 210 bar at 21.1 C: the warm one holds less.
    for new, old in ((warm, cool), (cool, warm)):
        kept = new.stricter_than(old)
        assert (kept.lowest_rating_gauge_pa, kept.lowest_rating_reference_k) == (207 * PA_PER_BAR, k_from_c(21.1))


def test_a_whip_keeps_the_lower_working_pressure_and_takes_over_the_rest() -> None:
    old = WhipRules(whip="1", max_working_gauge_pa=300 * PA_PER_BAR, supply_end_gauge_pa=250 * PA_PER_BAR)
    new = WhipRules(whip="1", max_working_gauge_pa=350 * PA_PER_BAR, supply_end_gauge_pa=330 * PA_PER_BAR)
    kept = new.stricter_than(old)
    assert (kept.max_working_gauge_pa, kept.supply_end_gauge_pa) == (300 * PA_PER_BAR, 330 * PA_PER_BAR)


def test_all_of_them_together_and_nothing_gets_lost() -> None:
    other = replace(RULE, name="gas-hot")
    old = Thresholds(alarms={"too-fast": RULE}, whips={"1": WhipRules(whip="1")}, oxygen_threshold=0.235)
    new = Thresholds(
        alarms={"too-fast": replace(RULE, setpoint=20.0), "gas-hot": other},
        whips={"2": WhipRules(whip="2")},
        oxygen_threshold=0.40,
    )
    kept = new.stricter_than(old)
    assert {name: rule.setpoint for name, rule in kept.alarms.items()} == {"too-fast": 20.0, "gas-hot": 30.0}
    assert set(kept.whips) == {"1", "2"}
    assert kept.oxygen_threshold == 0.235
