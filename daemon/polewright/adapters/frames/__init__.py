"""Frames that other programs write, taken from a folder."""
