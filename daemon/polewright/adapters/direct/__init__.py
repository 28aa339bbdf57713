"""The direct way to a service on this machine, without a broker: ``stop`` only."""
