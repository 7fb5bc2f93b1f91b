"""What may be sent, and when: shapes, programs, limits, frames."""
