"""Mounts, cameras and adjusters behind an INDI server."""
