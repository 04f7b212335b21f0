"""A fill station that does not exist: its own physics, sensors, operators and faults, and the truth beside them."""
