"""A phone or sensor on the mount's axis, as an INDI device that tells how it lies."""
