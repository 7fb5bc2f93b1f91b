"""Live serial ports."""
