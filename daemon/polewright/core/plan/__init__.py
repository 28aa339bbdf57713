"""The evening's plan: what is shot, when, through what, and what the axis must be for it."""
