"""Which of several told places holds, and what is said of the others."""

from polewright.core.sky.place import Place
from polewright.core.sky.told_places import Air, PlaceInUse, Teller, ToldPlace, place_in_use

TERRACE = Place(latitude_deg=-32.4, longitude_deg=22.7, elevation_m=1250.0, temperature_c=3.0)
YARD = ToldPlace(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0, words="the options")


def header(latitude: float, longitude: float, elevation: float | None = None) -> ToldPlace:
    return ToldPlace(
        latitude_deg=latitude, longitude_deg=longitude, elevation_m=elevation, words="SITELAT of a"
    )


def used(
    *pictures: ToldPlace,
    option: ToldPlace | None = None,
    settings: Place | None = None,
    air: Air | None = None,
) -> PlaceInUse:
    found = place_in_use(option=option, pictures=pictures, settings=settings, air=air or Air())
    assert found is not None
    return found


def test_nobody_tells_one() -> None:
    assert place_in_use(option=None, pictures=(), settings=None, air=Air()) is None


def test_options_go_before_pictures_and_pictures_before_settings() -> None:
    picture = header(-30.0, 20.0, 100.0)
    assert used(picture, option=YARD, settings=TERRACE).teller is Teller.OPTIONS
    assert used(picture, settings=TERRACE).teller is Teller.PICTURES
    assert used(settings=TERRACE).teller is Teller.SETTINGS


def test_pictures_from_elsewhere_hold_and_the_difference_is_told() -> None:
    found = used(header(-30.0, 20.0, 100.0), settings=TERRACE)
    assert found.place.latitude_deg == -30.0
    (warning,) = found.warnings
    assert "the settings -32.40 +22.70 deg, SITELAT of a -30.00 +20.00 deg" in warning
    assert "deg apart" in warning


def test_a_longitude_counted_west_is_told_and_the_settings_hold() -> None:
    found = used(header(-32.4, -22.7, 1250.0), settings=TERRACE)
    assert found.teller is Teller.SETTINGS
    assert found.place.longitude_deg == 22.7
    assert "the longitude has the other sign: east is positive" in found.warnings[0]
    assert "some programs count west" in found.warnings[0]


def test_a_latitude_without_its_sign_is_told_and_the_settings_hold() -> None:
    found = used(header(32.4, 22.7, 1250.0), settings=TERRACE)
    assert found.place.south
    assert "the latitude has the other sign" in found.warnings[0]


def test_a_twentieth_of_a_degree_is_the_same_place_and_a_fifth_is_not() -> None:
    assert used(header(-32.45, 22.7), settings=TERRACE).warnings == ()
    assert used(header(-32.6, 22.7, 0.0), settings=TERRACE).warnings != ()


def test_nobody_sets_up_at_nothing_nothing() -> None:
    assert used(header(0.0, 0.0), settings=TERRACE).teller is Teller.SETTINGS
    assert used(header(0.0, 0.0), settings=TERRACE).warnings == ()


def test_pictures_that_contradict_each_other_give_way_to_the_settings_and_are_told_once() -> None:
    other = header(-30.0, 20.0)
    found = used(header(-32.4, 22.7), other, other, settings=TERRACE)
    assert found.teller is Teller.SETTINGS
    assert len([each for each in found.warnings if "contradict each other" in each]) == 1
    assert "and 1 more" in found.warnings[0]


def test_pictures_that_contradict_each_other_without_settings_the_first_holds() -> None:
    found = used(header(-32.4, 22.7, 1250.0), header(-30.0, 20.0))
    assert found.place.latitude_deg == -32.4
    assert "contradict each other" in found.warnings[0]


def test_an_option_that_a_picture_contradicts_holds_and_is_told() -> None:
    found = used(header(-32.4, 22.7, 1250.0), option=YARD)
    assert found.place.latitude_deg == 47.0
    assert "the options +47.00 +8.00 deg, SITELAT of a -32.40 +22.70 deg" in found.warnings[0]


def test_height_and_air_come_from_whoever_tells_them_of_this_place() -> None:
    here = header(-32.4, 22.7)
    assert used(here, settings=TERRACE).place == TERRACE
    assert used(here, settings=TERRACE, air=Air(pressure_hpa=870.0)).place.air_pressure_hpa == 870.0
    bare = ToldPlace(latitude_deg=-32.4, longitude_deg=22.7, words="the options")
    assert used(header(-32.4, 22.7, 900.0), option=bare).place.elevation_m == 900.0
    # Air of another place is not this place's.
    assert used(header(-30.0, 20.0, 0.0), settings=TERRACE).place.temperature_c == 10.0


def test_a_height_that_nobody_tells_is_said() -> None:
    found = used(header(-32.4, 22.7))
    assert found.place.elevation_m == 0.0
    assert "nobody tells the height" in found.warnings[0]
    assert used(header(-32.4, 22.7), air=Air(pressure_hpa=870.0)).warnings == ()
