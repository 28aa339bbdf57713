"""What each field on the wire means, in words; a field without words has no place in the docs."""

RETAINED = {
    "availability": True,
    "state": True,
    "survey": True,
    "correction": True,
    "targets": False,
    "pointing": True,
    "site": True,
    "event": False,
    "health": True,
    "sensor": False,
    "watch": True,
    "schedule": True,
    "reply/+": False,
}
"""By topic; every bare scalar of the correction is retained."""

TOPICS = {
    "availability": "`online` while the service runs, `offline` after it (the broker says so "
    "itself when the service dies)",
    "state": "what the service is doing now",
    "survey": "the last finished survey: where the axis points and how well that is known",
    "correction": "the live correction, newest frame",
    "targets": "for drawing on a camera view: up to twelve stars of the newest frame and where "
    "turning the bolts must bring them",
    "pointing": "the last star alignment: how good go-tos are, and what the mount is off by",
    "site": "where the mount stands and whose time holds, told when the devices are connected",
    "event": "something worth notice, for people and logs",
    "health": "how the service itself is, every 30 s and when a link comes or goes",
    "sensor": "what a phone or another sensor on the axis says, twice a second at most",
    "sensor/input": "what a sensor of your own on the axis measures; you send it",
    "watch": "the watch over imaging: since when the axis is believed, what was looked at, alarms",
    "schedule": "scheduled verification: what is next, what came out last, and tonight's plan",
    "watch/frame": "names a picture file that is complete; you send it",
    "watch/guide": "where your guide star would stand had nobody corrected; you send it",
    "reply/+": "answers to one command; the last level is the command's `id`",
    "correction/altitude_arcmin": "altitude error (arcmin)",
    "correction/azimuth_arcmin": "azimuth error (arcmin)",
    "correction/total_arcmin": "total error (arcmin)",
    "correction/altitude_words": "what to do with the altitude bolt",
    "correction/azimuth_words": "what to do with the azimuth bolt",
    "correction/verdict": "the verdict",
    "correction/closeness": "0 far, 100 good enough; for bars, lamps and buzzers",
}

_ALTITUDE = "axis altitude minus target altitude; positive: too high"
_AZIMUTH = "axis azimuth minus target azimuth; what the azimuth bolt must undo"
_ON_SKY = "azimuth error times the cosine of the target's altitude"
_TOTAL = "great-circle distance from axis to target"
_TO_GO = "how far this bolt still has to turn the mount; "
_MARGIN = "two sigma of the whole error, as this bolt turns"
_ROOM = (
    "what the tolerance leaves for this bolt, to either side, where the other one stands now: "
    "`to_go` and `margin` inside it, and the words say to leave it"
)

FIELDS = {
    "v": "version of this contract",
    "at": "when the message was made (UTC, ISO 8601)",
    "state": "the phase; see the table of phases",
    "since": "since when",
    "step": "what is going on, in words",
    "frames": "frames taken, or used",
    "percent": "how much of it is done",
    "reason": "why it is blocked, or what is wrong at the moment",
    "remedy": "what to do about it",
    "advice": "sights by day: what to look at next, and what cannot be told; null for stars",
    "method": "how it was measured: `stars`; `bodies` (sights of Sun, Moon and planets), "
    "`drift`, `sensor`",
    "target_pole": "the pole that the errors are measured against",
    "axis_altitude_deg": "altitude of the axis (deg)",
    "axis_azimuth_deg": "azimuth of the axis, from true north through east (deg)",
    "altitude_error_arcmin": _ALTITUDE,
    "altitude_error_sigma_arcmin": "its uncertainty, one sigma",
    "azimuth_error_arcmin": _AZIMUTH,
    "azimuth_error_sigma_arcmin": "its uncertainty, one sigma",
    "azimuth_error_on_sky_arcmin": _ON_SKY,
    "total_error_arcmin": _TOTAL,
    "total_error_sigma_arcmin": "its uncertainty in the worse direction, one sigma",
    "altitude_to_go_arcmin": _TO_GO + "positive: raise the axis",
    "azimuth_to_go_arcmin": _TO_GO + "positive: increase the azimuth",
    "altitude_margin_arcmin": _MARGIN,
    "azimuth_margin_arcmin": _MARGIN,
    "altitude_room_arcmin": _ROOM,
    "azimuth_room_arcmin": _ROOM,
    "chi2": "misfit of the frames; near `degrees_of_freedom` or below when all is well",
    "degrees_of_freedom": "how many ways the frames could have disagreed",
    "sweep_deg": "turn in right ascension from first to last frame (deg)",
    "tolerance_arcmin": "the largest total error that is good enough",
    "verdict": "`good_enough`: error plus two sigma inside the tolerance; `not_yet`; "
    "`cannot_tell`: measured too coarsely to say",
    "roll_used": "false: the pictures' roll was not trusted, the directions alone decided",
    "rejected_frames": "frames left out because they did not fit",
    "further_frame_sigma_arcmin": "sigma that one more frame would have promised (arcmin)",
    "residuals": "what the axis leaves of each frame: `frame` its name, `turn_deg` how far it was "
    "turned, `pointing_arcsec` and `roll_arcsec` how far it is off",
    "syncs": "whether the mount is told where it points: at `each` field, `once` at the last one, "
    "`never`",
    "goto_model_arcsec": "expected go-to error over the sky (rms) of whoever goes through the "
    "terms; null where the mount's own model hides them (arcsec)",
    "goto_own_arcsec": "the same by the mount's own coordinates, as it stands now, the air "
    "included (arcsec)",
    "goto_wish_arcsec": "the go-to error that is good enough (arcsec)",
    "check_promised_arcsec": "what was promised (rms) at a field that was not used; null: nothing "
    "(arcsec)",
    "check_met_arcsec": "how far off it was there (arcsec)",
    "fields": "star fields that were used",
    "rejected_fields": "fields left out because they did not fit",
    "spoiled_fields": "fields that did not solve: a cloud, a tree",
    "terms": "each with `name`, `arcsec` and `sigma_arcsec`, as true less shown: `axis_east`, "
    "`axis_up` (the northern end of the axis from the north pole, toward the east and the upper "
    "meridian), `index_hour`, `index_declination` (zero points), `cone` and "
    "`non_perpendicularity`; empty where the mount's own model hides them",
    "goto_arcsec": "go-to error (rms) at which no further field is taken (arcsec)",
    "most_fields": "the most fields that are taken",
    "points_elsewhere": "a person has looked: it is right that the telescope points over 3 deg "
    "from where the mount says",
    "watching": "false: the watch has ended, and this is what it knew",
    "believed_since": "when the axis was measured, or, after an alarm, judged anew",
    "looked_at": "where frames and offsets are looked for, in words",
    "unsolved_frames": "frames that no stars were recognised in, or that are no pictures",
    "guide_offsets": "offsets of a guide star that came",
    "last_frame": "middle of the newest exposure; null before the first",
    "last_guide_offset": "when the newest offset was measured; null before the first",
    "mount_vouches": "whether a connected mount says that nobody sent it; without it a jump along "
    "declination is told as the event `field_jumped`, and is no alarm",
    "alarms": "the newest last, twenty at most, each with `noticed` and `held_until` (the last "
    "instant at which the axis stood as before), `evidence` (`turn`, `creep`, `jump`, "
    "`guide_jump`, `guide_trend`), `altitude_move_arcmin` (positive: up), "
    "`azimuth_move_on_sky_arcmin` (positive: growing azimuth) with the sigma of each, "
    "`size_arcmin` (at least so much), `significance` (sigmas beyond nothing), "
    "`confidence_percent`, `words`",
    "file": "its name below `[watch] folder`, folders with `/`; anything outside is refused",
    "declination_arcsec": "how far north it is of any fixed point, corrections taken off (arcsec)",
    "right_ascension_arcsec": "how far west; kept for completeness, not used: the worm is in it",
    "new_reference": "true: the first after a dither, another star, another target",
    "hour_angle_deg": "where the star stands, west positive; left out: what the mount says (deg)",
    "declination_deg": "where the star stands; left out: what the mount says (deg)",
    "at_dusk": "wait until the first stars can be measured; nothing moves before",
    "by_hand": "the person turns the axis; no motor moves",
    "age_s": "only where it comes from an earlier run of the service: how old it is (s); null: its "
    "clock stands before it",
    "sequence": "counts the corrections of one adjustment",
    "altitude_words": "what to do with the altitude bolt",
    "azimuth_words": "what to do with the azimuth bolt",
    "altitude_turns": "turns of its knob, clockwise positive; null until `turned` taught it",
    "azimuth_turns": "turns of its knob, clockwise positive; null until `turned` taught it",
    "width_px": "width of the frame (px)",
    "height_px": "height of the frame (px)",
    "stars": "each with `x_px`, `y_px` (column and row now) and `to_x_px`, `to_y_px` (wanted; may "
    "lie outside the frame)",
    "bolt": "which bolt's knob",
    "turns": "how far it was turned since the last such report on it, clockwise positive",
    "closeness": "0 far, 100 good enough",
    "live": "false: the figures are history, do not turn a bolt by them",
    "frame_age_s": "age of the middle of the exposure (s)",
    "latency_ms": "from pixels in memory to this message (ms)",
    "cycle_id": "by this the log's lines of the same work and frame are found",
    "valid_s": "history so long after mid-exposure (s): 2.5 frames, 6 at least; 30 if left out",
    "latitude_deg": "north positive, to a hundredth (deg)",
    "longitude_deg": "east positive, to a hundredth (deg)",
    "elevation_m": "above the sea (m)",
    "place_source": "who told the place",
    "time_source": "whose time holds",
    "clock_disciplined": "whether that clock is kept right from outside; null where nobody can "
    "tell",
    "doubts": "what does not fit: `code`, `text`, `consequence`, `remedy`, and `bars`: which "
    "motion is refused until it is settled (`nothing`, `by_day`, `always`)",
    "camera": "the camera behind the filter, as INDI names it; another one than is in use is "
    "refused",
    "fitted": "false: the filter is off, the Sun's cone holds again; left out: true",
    "uptime_s": "since the service started (s)",
    "indi": "`connected`: camera and mount are in use; `problem`: why not; `camera`, `mount`, "
    "`adjuster`: their names, null where there is none",
    "page": "`served`; `problem`: why not, null also where it is switched off; `offers_motors`: "
    "`[adjuster] motors`",
    "broker": "`connected`, `connections` so far, `protocol`, `echo` (`failed`: the broker "
    "swallows what is sent), `dropped_messages`, `dropped_commands` (came too fast), `problem`",
    "clock": "`disciplined`: whether this computer's clock is kept right from outside; "
    "`correction_s`: what a GPS receiver adds to it (s)",
    "journal_problem": "why surveys are not kept; null while they are",
    "journal_set_aside": "where a damaged journal was put since the service started; nothing of it "
    "is deleted; null: it was whole",
    "disk_free_mb": "room left beside the journal (MB)",
    "temperatures_c": "by the name of the sensor, where the computer has any (deg C)",
    "versions": "`polewright`, `contract`, `python`",
    "source": "what the sensor is: `phone`, `mqtt` (what comes at `sensor/input`) or `indi`",
    "streaming": "false: it has ended, and nothing of it is known any more",
    "hold": "`square`: screen (z) toward the pole; `along`: top edge (y) toward the pole; "
    "`fixed`: as `[sensor] axis` says",
    "still": "true: it lay still for long enough, and the figures are a mean",
    "sensor_altitude_deg": "how high that side points (deg)",
    "sensor_altitude_sigma_deg": "its uncertainty, one sigma, without how well it is held (deg)",
    "sensor_magnetic_azimuth_deg": "where that side points, from magnetic north through east "
    "(deg); null where the phone does not know north",
    "sensor_magnetic_azimuth_sigma_deg": "its uncertainty, one sigma, iron left aside (deg)",
    "up": "where up is in the phone's own frame: x to the right of the screen held upright, y to "
    "its top edge, z out of it",
    "rate_hz": "events in a second",
    "compass_accuracy_deg": "how wrong the compass may be, as the phone says; null where it does "
    "not say (deg)",
    "sensor_age_s": "since it arrived (s)",
    "gravity_ms2": "what the accelerometer shows at rest, which points up (m/s^2; x, y, z)",
    "field_ut": "the magnetic field (uT; x, y, z): north, and down where you are in the north",
    "rotation": "instead of these: the attitude that the sensor made itself, a quaternion "
    "(w, x, y, z; Hamilton's) from its axes to magnetic east, north and up",
    "t_s": "when, by the sensor's own clock (s); left out: when it arrived",
    "by": "`stars` where left out; `bodies`: by the body that was sighted last; `sensor` (of an "
    "adjustment only): by a phone or another sensor on the axis",
    "body": "which body is looked for; left out: the Sun behind its confirmed filter, else the "
    "highest of the others",
    "pointed": "true: it stands in the picture already, nothing is searched",
    "turned": "true: the bolts were turned since the last sight by what was told",
    "anew": "true: forget the sights before",
    "side": "which side of the sensor is turned to the Sun: `top` (y) where left out, or "
    "`screen` (z)",
    "name": "of the marks on the ground; case and spaces do not matter",
    "marked": "true: the marks were drawn just now, so this is no return to them",
    "bolts_turned": "true: bolts were turned since the feet were put there, with nobody watching",
    "level": "how serious",
    "code": "short fixed name, for programs",
    "text": "what happened, for a person",
    "id": "your own name for the command, and the last level of its reply topic",
    "ok": "false where it was refused or failed",
    "status": "`accepted` at once, then `progress`, then `done` or `failed`",
    "result": "what came out, or how far it is",
    "error": "`code`, `text` and `remedy`",
    "expires": "an instant after which the command must not be obeyed any more",
    "minutes": "end after so long (20 where left out)",
    "hours": "end after so long; left out: not by itself",
    "depth": "`quick`: a look at one to three frames, nothing turns; `full`: a survey; `auto`: a "
    "look, and a survey where that cannot tell and the mount may move",
    "next": "the next verification: `due`, and by which `rule` (`clock`, `dusk`, `plan`); null: "
    "none is planned",
    "waiting": "why the one that is due has not begun; null: nothing is waited for",
    "last": "the last one, null before: `verified` when, `scheduled` or asked for, `depth`, "
    "`verdict`, `moved` (null: cannot be told), how far (`altitude_move_arcmin`, "
    "`azimuth_move_on_sky_arcmin`, each with its sigma) since `compared_with`, "
    "`total_error_arcmin` with its sigma, `tolerance_arcmin`, `frames`, and in `words`; `code`, "
    "`reason` and `remedy` of what is in doubt",
    "plan": "tonight's plan as it was worked out; null without one: `source` (`command` or "
    "`settings`), `targets` (ICRS), `trains`, `start` and `end` of the window, `verify_at`, "
    "`tolerance_arcmin` with its reason and what rules it (`tightest_target`, `tightest_train`), "
    "`target_pole` with its reason, `warnings`, and all of it in `words`",
    "meaning": "what the axis as measured means for tonight's plan, in words; null without a plan",
    "longest_exposure_s": "the longest exposure that is surely good (error and two sigma) at the "
    "plan's targets through each of its trains (s, 7200 at most); null without a plan",
    "clear": "true: end the plan; the settings' one holds again",
    "optics": "names of `[plan] optics`, each with its exposure, or with `exposure_s` here",
    "focal_length_mm": "of the imaging telescope or lens (mm)",
    "pixel_size_um": "of the imaging camera (um)",
    "farthest_mm": "on the sensor, from the guide star to the farthest corner (mm)",
    "sensor_diagonal_mm": "instead: twice that, with the guide star in the middle (mm)",
    "allowed_px": "smear that is accepted (px)",
    "guided": "whether a guide star is held",
    "window_start": "when the imaging begins: `21:30` by the service's clock, `19:30Z`, or ISO "
    "8601 with its zone",
    "window_end": "when it ends, said the same way",
    "night": "true: the window is the dark hours of the night that goes on or comes next",
    "verify_before_min": "so long before the window the axis should be verified (minutes)",
    "end": "true: end the watch; the mount is left alone",
    "motors": "motors turn the bolts; left out: as `[adjuster] motors` says",
    "stop_when_good": "end by itself once three frames in a row are good enough",
}

_THIS_TIME = "instead of the setting, from now on"

ARGUMENTS = {
    "targets": "what is shot: names (`M 83`), or places (`13:26:47 -47:28:46`, `NAME = ...`)",
    "target_pole": _THIS_TIME,
    "frames": _THIS_TIME,
    "sweep_deg": _THIS_TIME,
    "exposure_s": _THIS_TIME,
    "settle_s": _THIS_TIME,
    "tolerance_arcsec": _THIS_TIME,
    "wish_arcsec": "sigma at which the survey stops (arcsec); left out: the settings",
}
"""Arguments of commands that go before a setting."""
