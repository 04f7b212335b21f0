"""Offline work: the simulator, replays of recorded days, tuning and scoring. Nothing here runs in the daemon."""
