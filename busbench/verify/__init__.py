"""The checks of a receiver and of a rig: each says what it looked at, what it found, the limit and the margin."""
