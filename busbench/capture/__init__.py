"""One file per format of recordings, one contract for all of their readers."""
