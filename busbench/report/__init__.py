"""The sign-off page: what was checked, what was not, and on what grounds."""
