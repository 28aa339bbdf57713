"""Known flaws of the pinned packages."""
