"""Recording formats: one file per format, one contract for all readers."""
