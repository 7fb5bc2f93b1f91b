"""Widgets that draw their own lines."""
