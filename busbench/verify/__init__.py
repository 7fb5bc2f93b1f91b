"""The checks of a receiver and of a rig: each with subject, finding, limit and margin."""
