"""The wire: frames, their alignment, the UART line and the scale."""
