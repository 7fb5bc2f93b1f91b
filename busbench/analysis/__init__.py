"""Figures from frames: outages, timing, channels."""
