"""Composition: settings, adapters and the session put together."""
