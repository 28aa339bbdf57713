"""Notifying the service manager; the protocol is that of sd_notify(3)."""

import os
import socket
from pathlib import Path

import pytest

from polewright.adapters.systemd.notifying import ServiceManager, service_manager


@pytest.fixture
def listener(tmp_path: Path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
        receiver.bind(str(tmp_path / "notify"))
        receiver.settimeout(2.0)
        yield receiver


def test_each_thing_is_one_datagram_of_lines(listener: socket.socket) -> None:
    manager = ServiceManager(listener.getsockname())
    manager.ready()
    manager.alive()
    manager.status("surveying:\n frame 2")
    manager.stopping()
    told = [listener.recv(1000).decode() for _ in range(4)]
    assert told[:3] == ["READY=1", "WATCHDOG=1", "STATUS=surveying: frame 2"]
    assert told[3].splitlines()[0] == "STOPPING=1"
    assert told[3].splitlines()[1].startswith("STATUS=ending")


def test_an_abstract_socket_is_reached() -> None:
    name = f"polewright-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
        receiver.bind("\0" + name)
        receiver.settimeout(2.0)
        ServiceManager("@" + name).ready()
        assert receiver.recv(100) == b"READY=1"


def test_without_a_manager_nothing_is_made() -> None:
    assert service_manager({}) is None
    assert service_manager({"NOTIFY_SOCKET": "vsock:2:1234"}) is None


def test_children_cannot_speak_for_the_service() -> None:
    environment = {
        "NOTIFY_SOCKET": "/run/notify", "WATCHDOG_USEC": "30000000",
        "WATCHDOG_PID": str(os.getpid()), "HOME": "/",
    }  # fmt: skip
    manager = service_manager(environment)
    assert manager is not None
    assert manager.watchdog_s == 30.0
    assert environment == {"HOME": "/"}


def test_a_watchdog_meant_for_another_process_is_not_served() -> None:
    manager = service_manager(
        {"NOTIFY_SOCKET": "/run/notify", "WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}
    )
    assert manager is not None
    assert manager.watchdog_s is None


def test_a_manager_that_is_gone_or_deaf_harms_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    manager = ServiceManager(str(tmp_path / "gone"))
    manager.alive()
    manager.alive()
    warned = [one for one in caplog.records if one.levelname == "WARNING"]
    assert len(warned) == 1
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(tmp_path / "deaf"))
        full = ServiceManager(str(tmp_path / "deaf"))
        for _ in range(2000):  # more than any queue holds: it must not block
            full.alive()
