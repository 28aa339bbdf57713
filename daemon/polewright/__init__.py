"""polewright: brings an equatorial mount's polar axis to the celestial pole."""

__version__ = "0.1.0"
