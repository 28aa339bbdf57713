"""A bare INDI client on a socket, for tests of the drivers: no library's opinion in between."""

import base64
import socket
import time
import xml.etree.ElementTree as ET


class IndiClient:
    """Speaks INDI 1.7 on one TCP connection; every wait is bounded."""

    def __init__(self, port: int, timeout_s: float = 10.0) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=timeout_s)
        self._parser = ET.XMLPullParser(events=("start", "end"))
        self._parser.feed(b"<root>")
        self._depth = 0
        self._root: ET.Element | None = None
        self.port = port
        self.state: dict[tuple[str, str], str] = {}
        self.values: dict[tuple[str, str], dict[str, str]] = {}
        self.messages: list[str] = []
        self.blobs: list[tuple[bytes, int, str]] = []
        self.order: list[tuple[str, str, str]] = []

    def close(self) -> None:
        self._socket.close()

    def send(self, text: str) -> None:
        self._socket.sendall(text.encode())

    def get_properties(self) -> None:
        self.send('<getProperties version="1.7"/>')

    def connect(self, device: str) -> None:
        self.wait(lambda: (device, "CONNECTION") in self.state)
        self.switch(device, "CONNECTION", "CONNECT")
        self.wait(lambda: self.state[device, "CONNECTION"] == "Ok")

    def switch(self, device: str, name: str, member: str, value: str = "On") -> None:
        self.send(
            f'<newSwitchVector device="{device}" name="{name}">'
            f'<oneSwitch name="{member}">{value}</oneSwitch></newSwitchVector>'
        )

    def number(self, device: str, name: str, **members: float) -> None:
        inner = "".join(f'<oneNumber name="{n}">{v!r}</oneNumber>' for n, v in members.items())
        self.send(f'<newNumberVector device="{device}" name="{name}">{inner}</newNumberVector>')

    def wait(self, ready, timeout_s: float = 10.0) -> None:
        """Read until something holds; TimeoutError says what was last known."""
        deadline = time.monotonic() + timeout_s
        while not ready():
            if time.monotonic() > deadline:
                raise TimeoutError(f"not seen in {timeout_s} s; states {self.state}")
            self.read_some(0.1)

    def wait_state(self, device: str, name: str, state: str, timeout_s: float = 10.0) -> None:
        self.wait(lambda: self.state.get((device, name)) == state, timeout_s)

    def read_some(self, wait_s: float) -> None:
        """Take in what comes within a while; EOFError when the server has gone."""
        self._socket.settimeout(wait_s)
        try:
            data = self._socket.recv(1 << 18)
        except TimeoutError:
            return
        if not data:
            raise EOFError("the server has gone")
        self._parser.feed(data)
        for event, element in self._parser.read_events():
            if event == "start":
                self._depth += 1
                self._root = self._root if self._root is not None else element
                continue
            self._depth -= 1
            if self._depth == 1:
                self._root.remove(element)
                self._take(element)

    def _take(self, element: ET.Element) -> None:
        device, name = element.get("device", ""), element.get("name", "")
        if element.get("message"):
            self.messages.append(element.get("message"))
        if element.tag == "delProperty":
            self.state.pop((device, name), None)
            self.values.pop((device, name), None)
        elif element.tag.startswith(("def", "set")):
            self.state[device, name] = element.get("state", "")
            self.order.append((element.tag, name, element.get("state", "")))
            values = self.values.setdefault((device, name), {})
            for member in element:
                if member.tag == "oneBLOB":
                    content = base64.b64decode(member.text)
                    self.blobs.append((content, int(member.get("size")), member.get("format")))
                elif member.text:
                    values[member.get("name")] = member.text.strip()

    def float(self, device: str, name: str, member: str) -> float:
        return float(self.values[device, name][member])
