"""Makes the first inputs of the corpus anew: ``python -m tests.fuzz.seeds``; all is invented."""

import json

from polewright.adapters.indi.recording import HEADER
from tests.fuzz.law import CORPUS
from tests.fuzz.pictures import seed_pictures
from tests.system.fake_indi_server import blob, camera_definitions, change, define

_MOUNT = (
    define("Number", "Kudu", "GEOGRAPHIC_COORD", {"LAT": -32.4, "LONG": 22.7, "ELEV": 1250})
    + define("Text", "Kudu", "TIME_UTC", {"UTC": "2026-11-25T20:00:00", "OFFSET": "2"})
    + change("Number", "Kudu", "EQUATORIAL_EOD_COORD", {"RA": "5:30:12", "DEC": -69.5}, state="Ok")
)
_RECORDING = (
    f"{HEADER}\n# Kudu\n    0.000 > connect\n"
    '    0.010 < defTextVector device="Kudu" name="DRIVER_INFO" | defText name="A" = "1\\u00e9"\n'
    '    0.250 < setBLOBVector device="Hoopoe" name="CCD1" | oneBLOB name="CCD1" size="9"\n'
)
_REQUEST = b"\x01GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


def first_inputs() -> dict[str, dict[str, bytes]]:
    """Return by target and name what is likely to be near to real input."""
    cuts = b"\x05@@@@@@\x00"
    frame = blob("Hoopoe", bytes(range(60))).encode()
    return {
        "indi_traffic": {
            "camera": cuts + camera_definitions().encode()[:1500],
            "mount": cuts + _MOUNT.encode(),
            "frame": cuts + frame + frame[:90],
        },
        "indi_server": {
            "mount": _MOUNT.encode(),
            "frame": frame,
            "cut": frame[:120] + _MOUNT.encode(),
        },
        "recording": {"small": _RECORDING.encode()},
        "picture": seed_pictures(),
        "settings": {
            "site": b"\x00[site]\nlatitude_deg = -32.4\nlongitude_deg = 2\n[mount]\nslug='kudu'\n",
            "lists": b'\x00[page]\nnames = ["kudu", "hoopoe"]\n[mqtt]\nport = 1883\n',
            "comma": b"\x00[camera]\nexposure_s = 1,5\nbinning = 2\n[site]\nelevation_m = 'high'\n",
        },
        "command": {"turned": b'\x0c\x00{"id": "a", "bolt": "altitude", "turns": 0.25}'},
        "sensor_lines": {
            "one": json.dumps({"gravity_ms2": [0.1, 8.2, 5.3], "field_ut": [3, -10, -21]}).encode(),
            "axes": b"x,-z,y",
        },
        "stop_door": {"stop": b"stop\n", "other": b"start\n"},
        "page_requests": {"index": _REQUEST},
        "page_access": {"name": b"\x01kudu.example.net:8472"},
    }


def main() -> None:
    """Write them."""
    for target, named in first_inputs().items():
        (CORPUS / target).mkdir(parents=True, exist_ok=True)
        for name, data in named.items():
            (CORPUS / target / name).write_bytes(data)


if __name__ == "__main__":
    main()
