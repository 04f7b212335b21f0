"""A fill station that does not exist: its own physics, sensors, operators and faults, and the truth beside them.

Three uses: a day as a capture file (`simulate_to_capture`), a station on a broker at the pace of a drill's clock
(`simulate_over_mqtt`), and single fills with their truth to score an estimator on (`generate_fills`).
"""

from fillguard.bench.simulator.cases import Trouble
from fillguard.bench.simulator.fills import GeneratedFill, generate_fills
from fillguard.bench.simulator.publish import Broker, Published, simulate_over_mqtt, stop_on_signals
from fillguard.bench.simulator.record import simulate_to_capture
from fillguard.bench.simulator.scenario import load_scenario, shipped_scenario
from fillguard.bench.simulator.simulation import Simulation

__all__ = [
    "Broker",
    "GeneratedFill",
    "Published",
    "Simulation",
    "Trouble",
    "generate_fills",
    "load_scenario",
    "shipped_scenario",
    "simulate_over_mqtt",
    "simulate_to_capture",
    "stop_on_signals",
]
