"""Bytes to events: the broker connection, the decoding of what comes over it, and capture files."""
