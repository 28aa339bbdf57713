"""Mount: the INDI device "Kudu", an equatorial mount with go-to."""

from datetime import UTC, datetime
from typing import Any

from polewright_drivers.indi.device import (
    TELESCOPE_INTERFACE,
    Refused,
    chosen,
    number,
    numbers,
    set_only,
    switches,
    texts,
)
from polewright_drivers.sky_simulator.axes import RATES, Side
from polewright_drivers.sky_simulator.device import SimulatedDevice
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.simulated_clock import utc

_MAIN = "Main Control"
_SITE = "Site Management"


def geographic(rig: Rig, perm: str) -> Any:
    """Return a GEOGRAPHIC_COORD property with the true site."""
    site = rig.scenario.site
    return numbers(
        "GEOGRAPHIC_COORD",
        "Scope Location",
        _SITE,
        perm,
        [
            ("LAT", "Lat (dd:mm:ss)", "%012.8m", -90.0, 90.0, site.latitude_deg),
            ("LONG", "Lon (dd:mm:ss)", "%012.8m", 0.0, 360.0, site.longitude_deg % 360.0),
            ("ELEV", "Elevation (m)", "%g", -200.0, 10000.0, site.elevation_m),
        ],
        state="Ok",
    )


def time_utc(perm: str) -> Any:
    """Return a TIME_UTC property."""
    members = [("UTC", "UTC Time", ""), ("OFFSET", "UTC Offset", "0")]
    return texts("TIME_UTC", "UTC", _SITE, members, perm=perm, state="Ok")


class Mount(SimulatedDevice):
    """The mount as INDI sees it.

    Parameters
    ----------
    rig : Rig
        What it moves.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        camera = rig.scenario.camera
        truth = rig.scenario.mount
        self._of_date = truth.equinox == "date"
        self._slews = 0
        self.equatorial = numbers(
            "EQUATORIAL_EOD_COORD" if self._of_date else "EQUATORIAL_COORD",
            "Eq. Coordinates",
            _MAIN,
            "rw",
            [
                ("RA", "RA (hh:mm:ss)", "%010.6m", 0.0, 24.0, 0.0),
                ("DEC", "DEC (dd:mm:ss)", "%010.6m", -90.0, 90.0, 0.0),
            ],
        )
        self.on_coord_set = switches(
            "ON_COORD_SET",
            "On Set",
            _MAIN,
            [("TRACK", "Track"), ("SLEW", "Slew"), ("SYNC", "Sync")],
            on="TRACK",
        )
        self.abort = switches(
            "TELESCOPE_ABORT_MOTION",
            "Abort Motion",
            _MAIN,
            [("ABORT", "Abort")],
            rule="AtMostOne",
        )
        self.park = switches(
            "TELESCOPE_PARK",
            "Parking",
            _MAIN,
            [("PARK", "Park(ed)"), ("UNPARK", "UnPark(ed)")],
            on="PARK" if rig.axes.parked else "UNPARK",
        )
        self.track_state = switches(
            "TELESCOPE_TRACK_STATE",
            "Tracking",
            _MAIN,
            [("TRACK_ON", "On"), ("TRACK_OFF", "Off")],
            on="TRACK_OFF",
        )
        self.track_mode = switches(
            "TELESCOPE_TRACK_MODE",
            "Track Mode",
            _MAIN,
            [(name, name.removeprefix("TRACK_").title()) for name in RATES],
            on="TRACK_SIDEREAL",
        )
        self.pier_side = switches(
            "TELESCOPE_PIER_SIDE",
            "Pier Side",
            _MAIN,
            [("PIER_WEST", "West (pointing east)"), ("PIER_EAST", "East (pointing west)")],
            on="PIER_WEST",
            perm="ro",
        )
        self.info = numbers(
            "TELESCOPE_INFO",
            "Scope Properties",
            "Options",
            "rw",
            [
                ("TELESCOPE_APERTURE", "Aperture (mm)", "%g", 0.0, 5000.0, camera.aperture_mm),
                (
                    "TELESCOPE_FOCAL_LENGTH",
                    "Focal Length (mm)",
                    "%g",
                    0.0,
                    20000.0,
                    camera.told_focal_length_mm,
                ),
                ("GUIDER_APERTURE", "Guider Aperture (mm)", "%g", 0.0, 5000.0, camera.aperture_mm),
                (
                    "GUIDER_FOCAL_LENGTH",
                    "Guider Focal Length (mm)",
                    "%g",
                    0.0,
                    20000.0,
                    camera.told_focal_length_mm,
                ),
            ],
            state="Ok",
        )
        self.geographic = geographic(rig, "rw")
        self.time = time_utc("rw")
        going = [self.equatorial, self.on_coord_set, self.abort, self.park]
        if truth.tells_pier_side:
            going.append(self.pier_side)
        tracking = [self.track_state, self.track_mode]
        if truth.kind == "tracker":
            shown = tracking
        else:
            shown = [*going, *tracking, self.info, self.geographic, self.time]
        self._shows = {vector.name for vector in shown}
        super().__init__("Kudu", TELESCOPE_INTERFACE, shown)
        self._shown: tuple[bool, bool, bool, Side] | None = None
        self._ticks = 0

    def connecting(self) -> None:
        """Bring the values up to date."""
        self._rig.advance()
        self._fill()
        self._shown = None

    async def disconnecting(self) -> None:
        """Stop: a mount that nobody watches must not slew."""
        self._rig.advance()
        if self._rig.axes.slewing:
            self._rig.axes.abort()

    async def asked(self, event: Any) -> None:
        """Do what a client asks of one property."""
        self._rig.advance()
        match event.vectorname:
            case "EQUATORIAL_EOD_COORD" | "EQUATORIAL_COORD":
                await self._go_to(event)
            case "ON_COORD_SET":
                set_only(self.on_coord_set, chosen(event) or "TRACK")
                await self.on_coord_set.send_setVector(state="Ok")
            case "TELESCOPE_ABORT_MOTION":
                self._rig.axes.abort()
                set_only(self.abort, None)
                await self.abort.send_setVector(state="Ok")
                await self._publish_states()
            case "TELESCOPE_PARK":
                await self._park(chosen(event))
            case "TELESCOPE_TRACK_STATE":
                await self._track(chosen(event))
            case "TELESCOPE_TRACK_MODE":
                mode = chosen(event) or "TRACK_SIDEREAL"
                self._rig.axes.tracking_rate_deg_s = RATES[mode]
                set_only(self.track_mode, mode)
                await self.track_mode.send_setVector(state="Ok")
            case "TELESCOPE_INFO":
                for name in event:
                    self.info[name] = repr(number(event, name))
                await self.info.send_setVector(state="Ok")
            case "GEOGRAPHIC_COORD":
                await self._set_site(event)
            case "TIME_UTC":
                await self._set_time(event)

    async def _go_to(self, event: Any) -> None:
        """Slew or sync."""
        rig = self._rig
        if rig.axes.parked:
            raise Refused("the mount is parked: unpark it before a go-to")
        hours, declination_deg = number(event, "RA"), number(event, "DEC")
        if not (0.0 <= hours <= 24.0 and -90.0 <= declination_deg <= 90.0):
            raise Refused(f"RA {hours:g} h, DEC {declination_deg:g} deg is not on the sky")
        right_ascension_deg = hours * 15.0
        if not self._of_date:
            right_ascension_deg, declination_deg = rig.sky.of_date_of_icrs(
                right_ascension_deg, declination_deg, rig.advance()
            )
        place = rig.place(right_ascension_deg, declination_deg)
        if self.on_coord_set["SYNC"] == "On":
            if rig.axes.slewing:
                raise Refused("the mount is slewing: wait or abort before a sync")
            rig.axes.sync(place)
            self._fill()
            await self.equatorial.send_setVector(state="Ok")
            return
        altitude_deg = rig.believed_altitude_deg(place)
        lowest = rig.scenario.mount.lowest_altitude_deg
        if altitude_deg < lowest:
            raise Refused(
                f"the target is {altitude_deg:.1f} deg high, this mount goes no lower "
                f"than {lowest:g} deg"
            )
        self._slews += 1
        if self._slews > rig.scenario.mount.slews_obeyed:
            raise Refused("motor stalled: the go-to is refused")
        rig.axes.go_to(place, track=self.on_coord_set["TRACK"] == "On")
        await self.equatorial.send_setVector(state="Busy")

    async def _park(self, wanted: str | None) -> None:
        """Park or unpark."""
        axes = self._rig.axes
        if wanted == "PARK" and not axes.parked:
            axes.park()
            set_only(self.park, "PARK")
            await self.park.send_setVector(state="Busy", message="parking")
        elif wanted == "UNPARK":
            axes.parked = False
            set_only(self.park, "UNPARK")
            await self.park.send_setVector(state="Ok")
        else:
            await self.park.send_setVector(state="Ok")

    async def _track(self, wanted: str | None) -> None:
        """Switch sidereal tracking."""
        axes = self._rig.axes
        if wanted == "TRACK_ON" and axes.parked:
            raise Refused("the mount is parked: unpark it before tracking")
        axes.track(on=wanted == "TRACK_ON")
        self._shown = None
        await self._publish_states()

    async def _set_site(self, event: Any) -> None:
        """Believe in another site."""
        rig = self._rig
        latitude = number(event, "LAT", rig.believed_latitude_deg)
        longitude = number(event, "LONG", rig.believed_longitude_deg)
        elevation = number(event, "ELEV", rig.believed_elevation_m)
        if not (-90.0 <= latitude <= 90.0 and -180.0 <= longitude <= 360.0):
            raise Refused("that site is not on this planet")
        rig.believed_latitude_deg = latitude
        rig.believed_longitude_deg = longitude
        rig.believed_elevation_m = elevation
        self.geographic["LAT"] = repr(latitude)
        self.geographic["LONG"] = repr(longitude % 360.0)
        self.geographic["ELEV"] = repr(elevation)
        await self.geographic.send_setVector(state="Ok")

    async def _set_time(self, event: Any) -> None:
        """Believe in another time."""
        told = event.get("UTC", "").strip()
        try:
            instant = datetime.fromisoformat(told)
        except ValueError:
            raise Refused(f"{told!r} is not a UTC time like 2026-11-25T20:00:00") from None
        if instant.tzinfo is None:
            instant = instant.replace(tzinfo=UTC)
        self._rig.clock_error_s = instant.timestamp() - self._rig.advance()
        if "OFFSET" in event:
            self.time["OFFSET"] = event["OFFSET"].strip()
        self._fill()
        await self.time.send_setVector(state="Ok")

    def _fill(self) -> None:
        """Put the present values into the properties."""
        right_ascension_deg, declination_deg = self._rig.believed_place()
        if not self._of_date:
            right_ascension_deg, declination_deg = self._rig.sky.icrs_of_date(
                right_ascension_deg, declination_deg, self._rig.advance()
            )
        self.equatorial["RA"] = f"{right_ascension_deg / 15.0:.9f}"
        self.equatorial["DEC"] = f"{declination_deg:.8f}"
        instant = utc(self._rig.advance() + self._rig.clock_error_s)
        self.time["UTC"] = instant.strftime("%Y-%m-%dT%H:%M:%S")

    def _equatorial_state(self) -> str:
        """Return the state that goes with the motion."""
        axes = self._rig.axes
        if axes.slewing:
            return "Busy"
        return "Ok" if axes.tracking else "Idle"

    async def _publish_states(self) -> None:
        """Publish tracking, parking, pier side and place at once if anything changed."""
        axes = self._rig.axes
        _, side = axes.believed()
        now = (axes.slewing, axes.tracking, axes.parked, side)
        if now == self._shown:
            return
        self._shown = now
        set_only(self.track_state, "TRACK_ON" if axes.tracking else "TRACK_OFF")
        await self._send(self.track_state, "Busy" if axes.tracking else "Idle")
        set_only(self.pier_side, "PIER_WEST" if side is Side.WEST else "PIER_EAST")
        await self._send(self.pier_side, "Ok")
        if not axes.slewing:
            set_only(self.park, "PARK" if axes.parked else "UNPARK")
            await self._send(self.park, "Ok" if axes.parked else "Idle")
        self._fill()
        await self._send(self.equatorial, self._equatorial_state())

    async def _send(self, vector: Any, state: str) -> None:
        """Send a property, where this kind of mount has it."""
        if vector.name in self._shows:
            await vector.send_setVector(state=state)

    async def tick(self) -> None:
        """Publish the place several times a second and the clock every second."""
        if not self.connected:
            return
        await self._publish_states()
        self._ticks += 1
        if self._ticks % 4 == 0:
            self._fill()
            await self._send(self.equatorial, self._equatorial_state())
        if self._ticks % 20 == 0:
            await self._send(self.time, "Ok")
