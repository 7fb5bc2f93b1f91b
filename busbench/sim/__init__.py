"""Simulated receivers, lines, pilots and aircraft: they stand in for hardware and say so."""
