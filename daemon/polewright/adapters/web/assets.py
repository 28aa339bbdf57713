"""The page's own files, read once, and the policy that lets a browser run nothing else."""

import base64
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files

_TYPES = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}
_INLINE_STYLE = re.compile(rb"<style>(.*?)</style>", re.DOTALL)
INDEX = "index.html"
FLEET_INDEX = "fleet.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asset:
    """One file as it goes out."""

    body: bytes
    content_type: str
    etag: str


def read_assets(index: str = INDEX) -> Mapping[str, Asset]:
    """Return every file of a page by its name; other pages' own files are left out."""
    assets = {}
    for file in files("polewright.adapters.web").joinpath("static").iterdir():
        suffix = "." + file.name.rpartition(".")[2]
        kind = _TYPES.get(suffix)
        if kind is None or (suffix == ".html" and file.name != index):
            continue
        body = file.read_bytes()
        assets[file.name] = Asset(
            body=body, content_type=kind, etag=hashlib.sha256(body).hexdigest()[:32]
        )
    return assets


def content_security_policy(index: bytes, host: str) -> str:
    """Return the policy: our own files, the one inline style, and the one connection back.

    Parameters
    ----------
    index : bytes
        The page with its inline style, allowed by its hash.
    host : str
        A checked Host header; some browsers do not take 'self' for a WebSocket.
    """
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(style).digest()).decode()}'"
        for style in _INLINE_STYLE.findall(index)
    )
    return "; ".join(
        (
            "default-src 'none'",
            "script-src 'self'",
            f"style-src 'self' {hashes}",
            "img-src 'self' blob:",
            f"connect-src 'self' ws://{host} wss://{host}",
            "manifest-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
            "require-trusted-types-for 'script'",
        )
    )
