"""The page's self-made certificate: browsers give a page a phone's sensors over https only."""

import contextlib
import hashlib
import ipaddress
import os
import platform
import re
import socket
import ssl
import struct
import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from polewright.core.errors import UsageError

# Browsers of one maker take no certificate of more than 825 days.
VALID_DAYS = 800
_OPENSSL_TIMEOUT_S = 30.0
_MOST_NAMES = 64
_NAME = re.compile(r"^[A-Za-z0-9]([A-Za-z0-9\-_.]{0,252})$")
# Linux: asks an interface for its IPv4 address (netdevice(7)).
_SIOCGIFADDR = 0x8915
_IPV6_ADDRESSES = Path("/proc/net/if_inet6")
_IPV6_GLOBAL = "00"


def make_certificate(certificate: Path, key: Path, names: Sequence[str]) -> None:
    """Make a certificate that signs itself, and its key for its owner alone.

    Parameters
    ----------
    certificate, key : Path
        New files (PEM).
    names : sequence of str
        Host names and addresses that it is for; the first one is its name.

    Raises
    ------
    UsageError
        ``certificate_exists``: a file is there already; ``no_openssl``: the program is missing
        or fails; ``page_certificate``: the files cannot be written.
    """
    for file in (certificate, key):
        if file.exists():
            raise UsageError(
                f"{file} exists already and is left as it is",
                remedy="To make a new certificate, delete this file and its partner; every phone "
                "has to accept the new one.",
                code="certificate_exists",
            )
    try:
        for file in (certificate, key):
            file.parent.mkdir(parents=True, exist_ok=True)
        # Made beside the key: an end in the middle leaves no half of a pair.
        with tempfile.TemporaryDirectory(dir=key.parent, prefix=".certificate-") as room:
            made_key, made = Path(room) / "key.pem", Path(room) / "certificate.pem"
            _run_openssl(made_key, made, names)
            made_key.chmod(0o600)
            made.chmod(0o644)
            os.replace(made_key, key)
            certificate.write_bytes(made.read_bytes())
    except OSError as trouble:
        raise UsageError(
            f"the certificate cannot be written: {trouble.strerror or trouble}",
            remedy="Correct the path or the folder's permissions.",
            code="page_certificate",
        ) from None


def fingerprint(certificate: Path) -> str:
    """Return the SHA-256 fingerprint as browsers show it: pairs of hexadecimal digits.

    Raises
    ------
    UsageError
        ``page_certificate``: the file cannot be read, or holds no certificate.
    """
    try:
        pem = certificate.read_text("ascii")
        first = pem[pem.index(ssl.PEM_HEADER) :]
        first = first[: first.index(ssl.PEM_FOOTER) + len(ssl.PEM_FOOTER)]
        data = ssl.PEM_cert_to_DER_cert(first)
    except (OSError, ValueError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else "it holds no certificate"
        raise UsageError(
            f"[page] the certificate {certificate} cannot be read: {reason}",
            remedy="Correct tls_certificate_file, or make one: polewright page --make-certificate",
            code="page_certificate",
        ) from None
    return hashlib.sha256(data).digest().hex(":").upper()


def valid_until(certificate: Path) -> datetime:
    """Return when a certificate ends (aware, UTC).

    Raises
    ------
    UsageError
        ``page_certificate``: openssl is missing, or it is no certificate.
    """
    command = ["openssl", "x509", "-noout", "-enddate", "-in", str(certificate)]
    try:
        told = subprocess.run(
            command, check=True, capture_output=True, text=True, timeout=_OPENSSL_TIMEOUT_S
        )
        return datetime.fromtimestamp(
            ssl.cert_time_to_seconds(told.stdout.strip().removeprefix("notAfter=")), UTC
        )
    except (OSError, ValueError, subprocess.SubprocessError):
        raise UsageError(
            f"when the certificate {certificate} ends cannot be told",
            remedy="Install openssl, or name a certificate (PEM).",
            code="page_certificate",
        ) from None


def names_of_this_machine(further: Iterable[str] = ()) -> list[str]:
    """Return the names and addresses by which browsers reach this machine, given ones first."""
    node = platform.node().lower()
    mine = [node, f"{node}.local"] if _NAME.match(node) else []
    given = [name for name in further if not _is_unspecified(name)]
    names = [*given, *mine, "localhost", *_addresses(), "127.0.0.1", "::1"]
    return list(dict.fromkeys(names))[:_MOST_NAMES]


def _run_openssl(key: Path, certificate: Path, names: Sequence[str]) -> None:
    alternatives = ",".join(f"{'IP' if _is_address(name) else 'DNS'}:{name}" for name in names)
    # No authority: whoever steals the key can pretend to be this page, and nothing else.
    command = [
        "openssl", "req", "-x509", "-new", "-nodes", "-sha256", "-newkey", "ec",
        "-pkeyopt", "ec_paramgen_curve:prime256v1", "-days", str(VALID_DAYS),
        "-subj", f"/CN={names[0][:64]}",
        "-addext", f"subjectAltName={alternatives}",
        "-addext", "basicConstraints=critical,CA:FALSE",
        "-addext", "keyUsage=critical,digitalSignature",
        "-addext", "extendedKeyUsage=serverAuth",
        "-keyout", str(key), "-out", str(certificate),
    ]  # fmt: skip
    try:
        subprocess.run(
            command, check=True, capture_output=True, timeout=_OPENSSL_TIMEOUT_S, umask=0o077
        )
    except FileNotFoundError:
        reason = "the program openssl is missing"
    except subprocess.TimeoutExpired:
        reason = f"openssl did not end within {_OPENSSL_TIMEOUT_S:.0f} s"
    except subprocess.CalledProcessError as failed:
        lines = failed.stderr.decode(errors="replace").strip().splitlines()
        reason = f"openssl says: {lines[-1] if lines else failed.returncode}"
    else:
        return
    raise UsageError(
        f"no certificate was made: {reason}",
        remedy="Install openssl 1.1.1 or newer (Debian: apt install openssl), or set "
        "tls_certificate_file and tls_key_file to a certificate of your own.",
        code="no_openssl",
    )


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _is_unspecified(name: str) -> bool:
    return _is_address(name) and ipaddress.ip_address(name).is_unspecified


def _addresses() -> list[str]:
    """Return the addresses of this machine's interfaces, as far as they can be told."""
    found = []
    with contextlib.suppress(OSError, ImportError):
        import fcntl

        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
            for _, name in socket.if_nameindex():
                with contextlib.suppress(OSError):  # an interface without an address
                    request = struct.pack("256s", name.encode()[:15])
                    answer = fcntl.ioctl(asking.fileno(), _SIOCGIFADDR, request)
                    found.append(socket.inet_ntoa(answer[20:24]))
    with contextlib.suppress(OSError):
        for line in _IPV6_ADDRESSES.read_text("ascii").splitlines():
            digits, _, _, scope, *_ = line.split()
            if scope == _IPV6_GLOBAL:
                found.append(str(ipaddress.IPv6Address(bytes.fromhex(digits))))
    return [one for one in found if not ipaddress.ip_address(one).is_loopback]
