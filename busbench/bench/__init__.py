"""The procedures: what the command line, the screen and scripts do with an aircraft, each in one place."""
