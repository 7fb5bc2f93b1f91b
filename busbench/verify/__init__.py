"""Checks of a receiver and a rig."""
