"""Two LED bars, one for each bolt, on a microcontroller with MicroPython and Wi-Fi.

Each bar is a strip of addressable LEDs beside its bolt.  The middle one is the notch; one LED
beside it says where the axis stands.  Turn so that it comes to the middle: nothing is far then.
Both bars dark but for the ends: nothing live.  Only red is used.

Copy to the board as main.py, with a file wifi.py:  SSID = "..."; PASSWORD = "..."
"""

import time

import machine
import neopixel
from umqtt.simple import MQTTClient

BROKER = "broker.local"
USER, PASSWORD = "display", "word"
MOUNT = "kudu"

ALTITUDE_PIN, AZIMUTH_PIN = 2, 4
LEDS = 15  # an odd number: one stands in the middle
BRIGHT, DIM = (60, 0, 0), (4, 0, 0)
# The end of the bar (arcmin); in between the square root, so that arcseconds still move it.
FULL_SCALE_ARCMIN = 60.0
# A figure that nobody renews is taken off (s); the service itself says so before.
EXPIRE_S = 40
PING_S = 20

BASE = "polewright/" + MOUNT + "/"
ALTITUDE = BASE + "correction/altitude_arcmin"
AZIMUTH = BASE + "correction/azimuth_arcmin"
VERDICT = BASE + "correction/verdict"
AVAILABILITY = BASE + "availability"


def place_of(text, leds=LEDS):
    """Return which LED shows an error in arcminutes; None for no figure."""
    try:
        error = float(text)
    except ValueError:
        return None
    if error != error:
        return None
    half = leds // 2
    part = min(abs(error) / FULL_SCALE_ARCMIN, 1.0) ** 0.5
    # Whatever is not in the middle must not look as if it were.
    steps = int(half * part + 0.5)
    return half + (steps if error > 0 else -steps)


def bar_of(text, good, leds=LEDS):
    """Return the colours of one bar: the notch, and the LED that tells where the axis stands."""
    colours = [(0, 0, 0)] * leds
    place = place_of(text, leds)
    if place is None:
        colours[0] = colours[-1] = DIM
        return colours
    colours[leds // 2] = DIM
    colours[place] = BRIGHT
    if good:
        # Good enough: the three in the middle, whatever the rest of the way.
        for led in (leds // 2 - 1, leds // 2, leds // 2 + 1):
            colours[led] = BRIGHT
    return colours


class Display:
    """The two bars and what they were told."""

    def __init__(self, altitude_bar, azimuth_bar, clock):
        self.bars = {ALTITUDE: altitude_bar, AZIMUTH: azimuth_bar}
        self.texts = {ALTITUDE: "none", AZIMUTH: "none"}
        self.verdict = "none"
        self.clock = clock
        self.told_s = clock()

    def take(self, topic, payload):
        """Take one message; topics that nobody asked for are left aside."""
        topic, text = topic.decode(), payload.decode()
        if topic in self.texts:
            self.texts[topic] = text
            self.told_s = self.clock()
        elif topic == VERDICT:
            self.verdict = text
        elif topic == AVAILABILITY and text != "online":
            self.forget()
        else:
            return
        self.draw()

    def tick(self):
        """Take off figures that nobody renews."""
        if self.clock() - self.told_s > EXPIRE_S:
            self.forget()
            self.draw()

    def forget(self):
        """Show that nothing is live."""
        for topic in self.texts:
            self.texts[topic] = "none"
        self.verdict = "none"
        self.told_s = self.clock()

    def draw(self):
        """Light both bars as they were told."""
        for topic, bar in self.bars.items():
            colours = bar_of(self.texts[topic], self.verdict == "good_enough")
            for led, colour in enumerate(colours):
                bar[led] = colour
            bar.write()


def listen(display, connect):
    """Follow the broker until the connection breaks."""
    client = connect()
    client.set_callback(display.take)
    client.connect()
    for topic in (ALTITUDE, AZIMUTH, VERDICT, AVAILABILITY):
        client.subscribe(topic.encode())
    pinged_s = display.clock()
    while True:
        client.check_msg()
        display.tick()
        if display.clock() - pinged_s > PING_S:
            client.ping()
            pinged_s = display.clock()
        time.sleep(0.05)


def main():
    """Join the Wi-Fi and follow the broker for ever."""
    import network
    import wifi  # on the board, beside this file

    station = network.WLAN(network.STA_IF)
    station.active(True)
    station.connect(wifi.SSID, wifi.PASSWORD)
    bars = [neopixel.NeoPixel(machine.Pin(pin), LEDS) for pin in (ALTITUDE_PIN, AZIMUTH_PIN)]
    display = Display(bars[0], bars[1], time.time)
    display.draw()

    def connect():
        return MQTTClient(
            b"led-bars-" + MOUNT.encode(), BROKER, user=USER, password=PASSWORD, keepalive=60
        )

    while True:
        try:
            listen(display, connect)
        except OSError:
            # No Wi-Fi yet, or the broker is away: nothing on the bars is live.
            display.forget()
            display.draw()
            time.sleep(2)


if __name__ == "__main__":
    main()
