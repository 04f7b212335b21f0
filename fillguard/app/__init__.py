"""The composition root: the only place that builds the parts and wires them together."""
