"""What the process that forks simulators imports before it forks the first: see ``warm_sky``."""

from tests.system.warm_sky import read_ahead

read_ahead()
