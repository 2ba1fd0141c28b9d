"""tapeline: surface-microphone recordings to calibrated, comparable levels."""

__version__ = "0.1.0"
