"""What holds for every gas, everywhere in range: density and pressure are one to one, slopes are slopes."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.gas import HIGHEST_ABS_PA, HIGHEST_K, LOWEST_ABS_PA, LOWEST_K, GasSurface
from fillguard.core.units import pa_from_bar
from fillguard.core.values import AIR, GasMix
from fillguard.surfaces import SurfaceStore

STORE = SurfaceStore(Path("no-cache"), on_problem=pytest.fail)

pressures = st.floats(LOWEST_ABS_PA, HIGHEST_ABS_PA)
temperatures = st.floats(LOWEST_K, HIGHEST_K)


@st.composite
def gases(draw: st.DrawFn) -> GasSurface:
    """Air, a shipped mix's own surface, or any mix from the common formula."""
    if draw(st.booleans()):
        shipped = draw(st.sampled_from([AIR, GasMix(o2=1.0), GasMix(o2=0.32), GasMix(o2=0.18, he=0.45)]))
        surface = STORE.get(shipped)
        assert surface is not None
        return surface
    oxygen = draw(st.integers(0, 1000))
    helium = draw(st.integers(0, 1000 - oxygen))
    return STORE.any_mix(GasMix(o2=oxygen / 1000, he=helium / 1000))


@given(gases(), pressures, temperatures)
def test_density_undoes_pressure(gas: GasSurface, absolute_pa: float, kelvin: float) -> None:
    density = gas.density_kg_m3(absolute_pa, kelvin)
    assert gas.state(density, kelvin)[0] == pytest.approx(absolute_pa, rel=1e-10)
    assert gas.density_unguarded(gas.state(density, kelvin)[0], kelvin) == pytest.approx(density, rel=1e-10)


@given(gases(), pressures, temperatures)
def test_temperature_undoes_energy(gas: GasSurface, absolute_pa: float, kelvin: float) -> None:
    density = gas.density_kg_m3(absolute_pa, kelvin)
    energy = gas.energy_j_kg(density, kelvin)
    assert gas.temperature_unguarded(density, energy) == pytest.approx(kelvin, abs=1e-8)


@given(gases(), pressures, temperatures)
def test_a_gas_is_stable(gas: GasSurface, absolute_pa: float, kelvin: float) -> None:
    _, _, dp_drho, dp_dt, _, cv = gas.state(gas.density_kg_m3(absolute_pa, kelvin), kelvin)
    assert dp_drho > 0.0
    assert dp_dt > 0.0
    assert cv > 0.0


@given(gases(), pressures, temperatures)
def test_the_slopes_are_the_slopes_of_the_values(gas: GasSurface, absolute_pa: float, kelvin: float) -> None:
    density = gas.density_kg_m3(absolute_pa, kelvin)
    _, _, dp_drho, dp_dt, du_drho, cv = gas.state(density, kelvin)
    step, warmer = 1e-4 * density, 1e-2
    above, below = gas.state(density + step, kelvin), gas.state(density - step, kelvin)
    hotter, colder = gas.state(density, kelvin + warmer), gas.state(density, kelvin - warmer)
    assert (above[0] - below[0]) / (2 * step) == pytest.approx(dp_drho, rel=1e-5)
    assert (hotter[0] - colder[0]) / (2 * warmer) == pytest.approx(dp_dt, rel=1e-5)
    assert (hotter[1] - colder[1]) / (2 * warmer) == pytest.approx(cv, rel=1e-5)
    # The energy hardly changes with density: compared on the scale of the work p/rho^2 that a change of density takes.
    assert (above[1] - below[1]) / (2 * step) == pytest.approx(du_drho, abs=1e-5 * absolute_pa / density**2)


@given(gases(), pressures, temperatures)
def test_energy_and_pressure_are_of_one_gas(gas: GasSurface, absolute_pa: float, kelvin: float) -> None:
    # Thermodynamic identity: rho^2 du/drho = p - T dp/dT. A fit of two unrelated formulas would break it.
    density = gas.density_kg_m3(absolute_pa, kelvin)
    pressure, _, _, dp_dt, du_drho, _ = gas.state(density, kelvin)
    assert density**2 * du_drho == pytest.approx(pressure - kelvin * dp_dt, abs=1e-9 * (pressure + kelvin * dp_dt))


@given(gases(), st.floats(10.0, 300.0), st.floats(260.0, 330.0), st.floats(0.1, 40.0))
def test_cooling_at_constant_density_always_loses_pressure(
    gas: GasSurface, bar: float, kelvin: float, cooler_by: float
) -> None:
    density = gas.density_kg_m3(pa_from_bar(bar), kelvin)
    assert gas.state(density, max(kelvin - cooler_by, LOWEST_K))[0] < pa_from_bar(bar)


@given(gases(), pressures, temperatures)
def test_enthalpy_is_energy_and_the_work_of_pushing_in(gas: GasSurface, absolute_pa: float, kelvin: float) -> None:
    density = gas.density_kg_m3(absolute_pa, kelvin)
    pushed = gas.enthalpy_j_kg(absolute_pa, kelvin) - gas.energy_j_kg(density, kelvin)
    assert pushed == pytest.approx(absolute_pa / density, rel=1e-9)
