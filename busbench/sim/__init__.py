"""Simulated receivers, lines, pilots and aircraft: they replace hardware and say so."""
