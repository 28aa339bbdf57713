"""INDI drivers that ship with polewright; they import nothing of the daemon."""
