"""What leaves fillguard: the broker, notification channels, the mirror."""
