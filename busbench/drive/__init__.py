"""What may go on the wire, and when: shapes, programs, limits, frames."""
