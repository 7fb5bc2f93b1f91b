"""busbench: bench test tool for the serial servo bus."""

__version__ = "0.1.0"
