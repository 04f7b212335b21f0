"""The pure core: what the readings mean. No I/O, no clock, no randomness, no logging."""
