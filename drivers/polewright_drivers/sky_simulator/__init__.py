"""A mount, its camera and the sky above them, as INDI devices."""
