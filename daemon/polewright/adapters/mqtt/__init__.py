"""Corrections and state to any display, commands from any client."""
