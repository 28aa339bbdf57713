"""A client that floods a broker with rubbish commands, as a process of its own that ends itself.

``python -m tests.system.mqtt_rubbish PORT SECONDS RATE BASE VERB ...``; prints how many it sent.
Speaks MQTT 3.1.1 by hand (OASIS standard, sections 3.1 and 3.3): a library would be the slower end.
"""

import itertools
import socket
import sys
import threading
import time
from collections.abc import Iterator, Sequence

_BATCH_S = 0.01
_MEGABYTE = 1_000_000


def remaining_length(size: int) -> bytes:
    """Return a packet's length as MQTT writes it (section 2.2.3)."""
    digits = bytearray()
    while True:
        size, digit = divmod(size, 128)
        digits.append(digit | (0x80 if size else 0))
        if not size:
            return bytes(digits)


def connect_packet(identifier: str) -> bytes:
    """Return a CONNECT of a clean session without keep-alive."""
    name = identifier.encode()
    body = b"\x00\x04MQTT\x04\x02\x00\x00" + len(name).to_bytes(2, "big") + name
    return b"\x10" + remaining_length(len(body)) + body


def publish_packet(topic: str, payload: bytes) -> bytes:
    """Return a PUBLISH without acknowledgement."""
    name = topic.encode()
    body = len(name).to_bytes(2, "big") + name + payload
    return b"\x30" + remaining_length(len(body)) + body


def rubbish(base: str, verbs: Sequence[str]) -> Iterator[bytes]:
    """Yield packets of every bad kind, for ever; one in 5000 is a megabyte."""
    kinds = itertools.cycle(
        (
            b'{"id": "%d", "frames": "five", "turns": [], "dance": 1}',
            b'{"id": 17, "n": %d}',
            b"\x00\xff\xfe\x80 %d",
            b"[" * 8000 + b"%d",
            b'{"id": "%d", "a": ' + b'{"a": ' * 300 + b"1" + b"}" * 300 + b"}",
            b"word %d",
            b'{"v": 1, "x": %d',
        )
    )
    topics = itertools.cycle(f"{base}/command/{verb}" for verb in verbs)
    for number in itertools.count(1):
        payload = b"x" * _MEGABYTE if number % 5000 == 0 else next(kinds) % number
        yield publish_packet(next(topics), payload)


def flood(port: int, seconds: float, rate: float, packets: Iterator[bytes]) -> int:
    """Send rubbish at a rate (per second) for so long; return how many went out."""
    sent = 0
    with socket.create_connection(("127.0.0.1", port), timeout=10) as link:
        link.sendall(connect_packet("rubbish"))
        link.recv(4)
        threading.Thread(target=_swallow, args=(link,), daemon=True).start()
        start_s = time.monotonic()
        # A broker that takes no more must not keep this process alive.
        link.settimeout(_BATCH_S)
        waiting = b""
        while (passed_s := time.monotonic() - start_s) < seconds:
            due = int(passed_s * rate) - sent
            if not waiting and due > 0:
                waiting = b"".join(itertools.islice(packets, due))
                sent += due
            try:
                waiting = waiting[link.send(waiting) :] if waiting else waiting
            except TimeoutError:
                continue
            if not waiting:
                time.sleep(_BATCH_S)
    return sent


def _swallow(link: socket.socket) -> None:
    try:
        while link.recv(65536):
            pass
    except OSError:
        return


if __name__ == "__main__":
    port, seconds, rate, base, *verbs = sys.argv[1:]
    packets = rubbish(base, verbs)
    sys.stdout.write(f"{flood(int(port), float(seconds), float(rate), packets)}\n")
