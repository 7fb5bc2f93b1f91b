"""busbench: bench test tool for the serial servo bus."""
