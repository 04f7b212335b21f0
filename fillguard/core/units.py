"""SI inside, trade units at the edge. Gauge or absolute is said in the name, never here.

Pressures of a person's gauge are counted from the ambient pressure; equations use absolute pascal.
"""

PA_PER_BAR = 1e5
PA_PER_PSI = 6894.757293168361
"""One pound-force per square inch (exact inch and pound, standard gravity)."""
STANDARD_ATMOSPHERE_PA = 101_325.0
ZERO_CELSIUS_K = 273.15

PRESSURE_STEP_PA = 100.0
TEMPERATURE_STEP_K = 0.01
TIME_STEP_S = 0.001


def pa_from_bar(bar: float) -> float:
    """Pascal from bar; neither gauge nor absolute is implied."""
    return bar * PA_PER_BAR


def bar_from_pa(pascal: float) -> float:
    """Bar from pascal; neither gauge nor absolute is implied."""
    return pascal / PA_PER_BAR


def psi_from_pa(pascal: float) -> float:
    """Pounds per square inch from pascal."""
    return pascal / PA_PER_PSI


def pa_from_psi(psi: float) -> float:
    """Pascal from pounds per square inch."""
    return psi * PA_PER_PSI


def k_from_c(celsius: float) -> float:
    """Kelvin from degrees Celsius."""
    return celsius + ZERO_CELSIUS_K


def c_from_k(kelvin: float) -> float:
    """Degrees Celsius from kelvin."""
    return kelvin - ZERO_CELSIUS_K


def f_from_k(kelvin: float) -> float:
    """Degrees Fahrenheit from kelvin."""
    return c_from_k(kelvin) * 9.0 / 5.0 + 32.0


def quantised_pressure_pa(pascal: float) -> float:
    """`pascal` on the 100 Pa grid that core, ledger and capture share, so that a replay is exact."""
    return round(pascal / PRESSURE_STEP_PA) * PRESSURE_STEP_PA


def quantised_temperature_k(kelvin: float) -> float:
    """`kelvin` on the 0.01 K grid that core, ledger and capture share."""
    return round(kelvin / TEMPERATURE_STEP_K) / 100.0


def quantised_time_s(seconds: float) -> float:
    """`seconds` on the 1 ms grid that core, ledger and capture share."""
    return round(seconds / TIME_STEP_S) / 1000.0
