"""Device: one device of the simulator."""

from polewright_drivers.indi.device import DriverDevice


class SimulatedDevice(DriverDevice):
    """One INDI device of the simulator."""

    DRIVER_NAME = "Polewright Sky Simulator"
    EXECUTABLE = "polewright-sky-simulator"
