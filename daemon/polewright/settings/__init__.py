"""Typed settings and where they come from."""
