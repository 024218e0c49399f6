"""Pages over TLS: certificate and key from two files, and clear words when they cannot be used."""

from __future__ import annotations

import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from ipaddress import ip_address
from pathlib import Path

from gateway.errors import StartError
from gateway.settings import Settings

LOCAL = ("localhost", "localhost.localdomain")


def context_of(settings: Settings) -> ssl.SSLContext | None:
    """What encrypts, TLS 1.2 and newer (RFC 9325); None where it is not set.

    StartError names the file, and what is wrong with it.
    """
    cert, key = settings.http_tls_cert_file, settings.http_tls_key_file
    if cert is None or key is None:
        return None
    _readable(cert, "LOOPWITNESS_HTTP_TLS_CERT_FILE")
    _readable(key, "LOOPWITNESS_HTTP_TLS_KEY_FILE")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_alpn_protocols(["http/1.1"])
    with _told(cert, "a certificate in PEM, the chain below it"):
        ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(cafile=cert)
    allowed = f"the key of {cert} in PEM, without a passphrase"
    with _told(key, allowed):
        context.load_cert_chain(cert, key, password=_refusing(key, allowed))
    return context


@contextmanager
def _told(file: Path, allowed: str) -> Iterator[None]:
    try:
        yield
    except ssl.SSLError as error:
        why = (error.reason or str(error)).replace("_", " ").lower()
        raise StartError(f"{file}: {why}; allowed: {allowed}") from None


def _refusing(file: Path, allowed: str) -> Callable[[], str]:
    """Called where the key asks for a passphrase: nobody is there to type one."""

    def refuse() -> str:
        raise StartError(f"{file}: it asks for a passphrase; allowed: {allowed}")

    return refuse


def _readable(file: Path, setting: str) -> None:
    try:
        with file.open("rb"):
            pass
    except OSError as error:
        raise StartError(
            f"{file}: {error.strerror}; allowed: a file that this user may read ({setting})"
        ) from None


def beyond_this_machine(host: str) -> bool:
    """Whether others can come to what listens there."""
    try:
        return not ip_address(host).is_loopback
    except ValueError:
        return host.casefold() not in LOCAL
