"""Numbers as a person reads them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.figures import (
    UnitChoice,
    bare_pressure,
    duration,
    pressure,
    pressure_not_above,
    rate,
    stamped,
    temperature,
)
from fillguard.core.units import PA_PER_BAR, PA_PER_PSI, k_from_c, pa_from_bar, pa_from_psi

BAR = UnitChoice()
PSI = UnitChoice(pressure="psi", temperature="F")


@pytest.mark.parametrize(
    ("bar", "in_bar", "in_psi"),
    [(207.4, "207 bar", "3010 psi"), (207.6, "208 bar", "3010 psi"), (0.2, "0 bar", "0 psi"), (-0.2, "0 bar", "0 psi")],
)
def test_a_pressure_is_whole_bar_or_tens_of_psi(bar: float, in_bar: str, in_psi: str) -> None:
    assert pressure(pa_from_bar(bar), BAR) == in_bar
    assert pressure(pa_from_bar(bar), PSI) == in_psi


def test_where_it_matters_a_pressure_is_shown_finer() -> None:
    assert pressure(pa_from_bar(207.26), BAR, fine=True) == "207.3 bar"
    assert pressure(pa_from_psi(3004.4), PSI, fine=True) == "3004 psi"
    assert bare_pressure(pa_from_bar(207.26), BAR) == "207"


@pytest.mark.parametrize(
    ("pa", "units", "text"),
    [
        (pa_from_bar(221.0), BAR, "221 bar"),
        (pa_from_bar(221.99), BAR, "221 bar"),
        (pa_from_psi(3209.9), PSI, "3200 psi"),
        (pa_from_psi(3210.0), PSI, "3210 psi"),
    ],
)
def test_what_a_person_closes_at_is_rounded_down(pa: float, units: UnitChoice, text: str) -> None:
    assert pressure_not_above(pa, units) == text


@given(st.integers(0, 500_000).map(lambda steps: steps * 100.0), st.sampled_from([BAR, PSI]))
def test_what_a_person_closes_at_is_never_above_what_was_worked_out(pa: float, units: UnitChoice) -> None:
    number, unit = pressure_not_above(pa, units).split()
    shown_pa = float(number) * {"bar": PA_PER_BAR, "psi": PA_PER_PSI}[unit]
    step_pa = {"bar": PA_PER_BAR, "psi": 10 * PA_PER_PSI}[unit]
    assert shown_pa <= pa + 1.0
    assert shown_pa > pa - step_pa


@pytest.mark.parametrize(
    ("pa", "units", "text"),
    [
        # 3000 psi are 206.84 bar by definition; the trade says 207 (common practice).
        (pa_from_psi(3000), PSI, "3000 psi"),
        (pa_from_psi(3000), BAR, "207 bar"),
        (pa_from_bar(232), BAR, "232 bar"),
        (pa_from_bar(232), PSI, "3365 psi"),
        (pa_from_psi(2640), PSI, "2640 psi"),
    ],
)
def test_a_limit_reads_as_on_the_shoulder(pa: float, units: UnitChoice, text: str) -> None:
    assert stamped(pa, units) == text


@pytest.mark.parametrize(
    ("pa_s", "per", "in_bar", "in_psi"),
    [
        (pa_from_bar(30) / 60, "min", "30 bar/min", "435 psi/min"),
        (pa_from_bar(4.5) / 60, "min", "4.5 bar/min", "65 psi/min"),
        # U.S. Navy Diving Manual vol. 2: at most 200 psi/min, which is 13.8 bar/min.
        (pa_from_psi(200) / 60, "min", "14 bar/min", "200 psi/min"),
        (pa_from_bar(3) / 3600, "h", "3.0 bar/h", "44 psi/h"),
        (pa_from_bar(9.96), "s", "10 bar/s", "144 psi/s"),
    ],
)
def test_a_rate_says_its_unit(pa_s: float, per: str, in_bar: str, in_psi: str) -> None:
    assert rate(pa_s, BAR, per=per) == in_bar
    assert rate(pa_s, PSI, per=per) == in_psi


# 15 C = 59 F and 21.1 C = 70 F: the two reference temperatures in use (ISO 10286 from memory; 49 CFR 173.301a).
@pytest.mark.parametrize(
    ("celsius", "c", "f"), [(15.0, "15 C", "59 F"), (21.11, "21 C", "70 F"), (-0.3, "0 C", "31 F")]
)
def test_a_temperature_in_whole_degrees(celsius: float, c: str, f: str) -> None:
    assert temperature(k_from_c(celsius), BAR) == c
    assert temperature(k_from_c(celsius), PSI) == f


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(7.4, "7 s"), (59.4, "59 s"), (59.6, "1:00"), (100, "1:40"), (3599, "59:59"), (7500, "2 h 05 min"), (-3, "0 s")],
)
def test_a_duration_reads_as_people_say_it(seconds: float, text: str) -> None:
    assert duration(seconds) == text


@pytest.mark.parametrize("choice", [{"pressure": "kPa"}, {"temperature": "K"}])
def test_another_unit_is_refused_by_name(choice: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=next(iter(choice.values()))):
        UnitChoice(**choice)
