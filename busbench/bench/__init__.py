"""The procedures that command line, screen and scripts run, each in one place."""
