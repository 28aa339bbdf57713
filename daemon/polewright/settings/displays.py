"""Settings of where displays look: the MQTT broker and the page."""

import os
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from polewright.core.errors import UsageError
from polewright.settings.section import FilePath, HostName, Section, clash, state_directory

MQTT_PASSWORD_VARIABLE = "POLEWRIGHT_MQTT_PASSWORD"

# The embedded broker lets anybody in, so it listens to nobody outside this machine.
LOOPBACK_HOSTS = ("127.0.0.1", "localhost", "::1")


class MqttSettings(Section):
    """The broker through which displays and scripts follow and command polewright."""

    mode: Literal["embedded", "external", "off"] = Field(
        default="embedded",
        description="embedded: a broker inside polewright, for this machine only; "
        "external: your own broker; off: none.",
    )
    host: HostName = Field(default="127.0.0.1", description="Broker's name or address.")
    port: int = Field(
        default=1883,
        ge=0,
        le=65535,
        description="TCP port (8883 is usual with TLS); 0: any free one, embedded only.",
    )
    username: str | None = Field(default=None, min_length=1, description="Left out: nobody.")
    password_file: FilePath | None = Field(
        default=None,
        description=f"File that holds the password and nothing else; the environment variable "
        f"{MQTT_PASSWORD_VARIABLE} goes before it.",
    )
    tls: bool = Field(default=False, description="Encrypt, and check the broker's certificate.")
    ca_file: FilePath | None = Field(
        default=None,
        description="Certificate authority (PEM); left out: the machine's own list.",
    )
    client_certificate_file: FilePath | None = Field(
        default=None, description="polewright's own certificate (PEM), where the broker asks it."
    )
    client_key_file: FilePath | None = Field(
        default=None, description="Key of that certificate (PEM)."
    )
    root: str = Field(
        default="polewright",
        max_length=64,
        pattern=r"^[A-Za-z0-9_\-]+(/[A-Za-z0-9_\-]+)*$",
        description="First level or levels of every topic.",
        json_schema_extra={
            "allowed": "letters, digits, - and _, levels divided by /, at most 64, in quotes"
        },
    )

    discovery: bool = Field(
        default=False,
        description="Whether Home Assistant is told what there is to show (its MQTT discovery); "
        "switched off again, it is told to forget it.",
    )
    discovery_prefix: str = Field(
        default="homeassistant",
        max_length=64,
        pattern=r"^[A-Za-z0-9_\-]+(/[A-Za-z0-9_\-]+)*$",
        description="First level or levels of Home Assistant's discovery topics.",
        json_schema_extra={
            "allowed": "letters, digits, - and _, levels divided by /, at most 64, in quotes"
        },
    )

    @model_validator(mode="after")
    def _fits_together(self) -> "MqttSettings":
        if self.mode == "embedded" and self.host not in LOOPBACK_HOSTS:
            raise clash(
                "host",
                f'host = "{self.host}" is outside this machine, where the embedded broker lets '
                'nobody in; allowed: host = "127.0.0.1", or mode = "external"',
            )
        if self.mode == "embedded" and (self.tls or self.username is not None):
            raise clash(
                "tls" if self.tls else "username",
                'tls and username belong to a broker of your own; allowed: mode = "external", or '
                "leave them out",
            )
        if self.mode == "external" and self.port == 0:
            raise clash(
                "port",
                'port = 0 is refused with mode = "external"; allowed: the port of your broker, '
                "1 to 65535, mostly 1883 or 8883",
            )
        if (self.client_certificate_file is None) != (self.client_key_file is None):
            alone = (
                "client_key_file"
                if self.client_certificate_file is None
                else "client_certificate_file"
            )
            raise clash(
                alone, f"{alone} is alone; allowed: client_certificate_file and client_key_file"
            )
        for key in ("ca_file", "client_certificate_file"):
            if not self.tls and getattr(self, key) is not None:
                raise clash(key, f"{key} is given but tls is false; allowed: with tls = true")
        return self

    def password(self) -> str | None:
        """Return the password from the environment or the file; None where there is none.

        Raises
        ------
        UsageError
            The file cannot be read.
        """
        if value := os.environ.get(MQTT_PASSWORD_VARIABLE):
            return value
        if self.password_file is None:
            return None
        try:
            return self.password_file.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
            raise UsageError(
                f"[mqtt] password_file = {self.password_file} cannot be read: {reason}",
                remedy="Correct the path or the file's permissions.",
                code="password_file",
            ) from None


class PageSettings(Section):
    """The page that a browser shows, on this machine or on a phone."""

    mode: Literal["on", "off"] = Field(default="on", description="off: no page is served.")
    host: HostName = Field(
        default="127.0.0.1",
        description="Address to listen at. Any other than this machine's own, for example "
        '"0.0.0.0" for every network that it is in, asks browsers for a token.',
    )
    port: int = Field(
        default=8472, ge=0, le=65535, description="TCP port; 0: any free one, told at the start."
    )
    token_file: FilePath | None = Field(
        default=None,
        description="File of the tokens, made where it is missing; left out: beside the journal, "
        "and none at all while host is this machine's own.",
    )
    onlookers: bool = Field(
        default=True, description="Whether a second link lets others look, and not command."
    )
    names: list[HostName] = Field(
        default_factory=list,
        max_length=16,
        description="Names by which browsers reach this machine, besides its own name and its "
        "addresses; the first is shown in links.",
        json_schema_extra={"allowed": "a list of at most 16 host names, in quotes"},
    )
    tls_certificate_file: FilePath | None = Field(
        default=None, description="Certificate (PEM) for https; left out: http."
    )
    tls_key_file: FilePath | None = Field(
        default=None, description="Key of that certificate (PEM), without password."
    )

    @model_validator(mode="after")
    def _certificate_has_a_key(self) -> "PageSettings":
        if (self.tls_certificate_file is None) != (self.tls_key_file is None):
            given = "tls_key_file" if self.tls_certificate_file is None else "tls_certificate_file"
            raise clash(given, f"{given} is alone; allowed: tls_certificate_file and tls_key_file")
        return self

    def tokens_at(self, slug: str) -> Path:
        """Return the file of a mount's tokens."""
        return self.token_file or state_directory() / f"{slug}-page-tokens.txt"

    def certificate_at(self, slug: str) -> tuple[Path, Path]:
        """Return the files of a mount's certificate and its key, whether they exist or not."""
        if self.tls_certificate_file is not None and self.tls_key_file is not None:
            return self.tls_certificate_file, self.tls_key_file
        state = state_directory()
        return state / f"{slug}-page-certificate.pem", state / f"{slug}-page-key.pem"


class MetricsSettings(Section):
    """Figures of the service for a Prometheus server, at /metrics; off where no port is set."""

    port: int | None = Field(
        default=None,
        ge=0,
        le=65535,
        description="TCP port; left out: none are served; 0: any free one, told at the start.",
    )
    host: HostName = Field(
        default="127.0.0.1",
        description="Address to listen at. Whoever reaches it reads the figures without a token; "
        "they hold no secret and no place.",
    )
