"""Certificates for tests, made by openssl: for nobody, and for a day."""

from __future__ import annotations

import subprocess
from pathlib import Path


def certificate(folder: Path, name: str = "here", host: str = "localhost") -> tuple[Path, Path]:
    """A certificate signed by itself, and its key."""
    cert, key = folder / f"{name}.pem", folder / f"{name}.key"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-days", "1", "-subj", f"/CN={host}",
         "-addext", f"subjectAltName=DNS:{host},IP:127.0.0.1", "-out", str(cert),
         "-keyout", str(key)],
        check=True, capture_output=True,
    )  # fmt: skip
    return cert, key


def with_passphrase(key: Path) -> Path:
    """The same key, locked."""
    locked = key.with_suffix(".locked")
    subprocess.run(
        ["openssl", "ec", "-in", str(key), "-aes256", "-passout", "pass:open", "-out", str(locked)],
        check=True, capture_output=True,
    )  # fmt: skip
    return locked
