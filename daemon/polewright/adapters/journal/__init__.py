"""Journal: frames, estimates and commit points in one SQLite file for each mount."""
