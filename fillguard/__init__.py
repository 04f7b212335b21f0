"""fillguard watches the filling of breathing-gas cylinders. It advises; it operates no valve."""

__version__ = "0.1.0"
