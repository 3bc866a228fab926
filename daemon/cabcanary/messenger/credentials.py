"""The password and the certificates: from where, and only if nobody else can read them."""

from __future__ import annotations

import os
import re
import ssl
import stat
from pathlib import Path
from typing import Any


class SecretError(OSError):
    """A secret cannot be used; the message says why and what to do."""


def check_private(path: Path) -> None:
    """Refuse a file that others may read.

    Raises:
        SecretError: they may, or it is not there.
    """
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise SecretError(f"{path}: {error.strerror or error}") from error
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise SecretError(f"{path} can be read by others; run: chmod 600 {path}")


def read_password(path: Path) -> str:
    """The password in a file that only its owner may read.

    Raises:
        SecretError: others may read it, or it cannot be read.
    """
    check_private(path)
    try:
        return path.read_text(encoding="utf-8").strip()
    except (OSError, ValueError) as error:
        raise SecretError(f"{path}: {error}") from error


def read_credential(name: str) -> str:
    """A credential that systemd hands over: a file in $CREDENTIALS_DIRECTORY, which systemd keeps private.

    Raises:
        SecretError: systemd has handed over none of that name.
    """
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if not folder:
        raise SecretError(f"systemd has handed over no credentials; add LoadCredential={name}:FILE to the unit")
    try:
        return (Path(folder) / name).read_text(encoding="utf-8").strip()
    except (OSError, ValueError) as error:
        raise SecretError(f"no credential '{name}' ({error}); add LoadCredential={name}:FILE to the unit") from error


def password(settings: dict[str, Any]) -> str | None:
    """The password that the settings speak of, if they do.

    Raises:
        SecretError: it cannot be had.
    """
    if settings.get("password_file"):
        return read_password(Path(settings["password_file"]))
    if settings.get("password_credential"):
        return read_credential(settings["password_credential"])
    return None


def tls_context(tls: dict[str, Any] | None) -> ssl.SSLContext | None:
    """The TLS context, or None for a connection in the clear. The broker's certificate and name are always checked.

    Raises:
        SecretError: a file cannot be used.
    """
    if tls is None:
        return None
    try:
        context = ssl.create_default_context(cafile=tls.get("ca"))
    except (OSError, ssl.SSLError) as error:
        raise SecretError(f"{tls.get('ca')}: {error}; it must hold the authority's certificate (PEM)") from error
    if tls.get("certificate"):
        check_private(Path(tls["key"]))
        try:
            context.load_cert_chain(tls["certificate"], tls["key"])
        except (OSError, ssl.SSLError) as error:
            raise SecretError(f"{tls['certificate']} and {tls['key']}: {error}; they must belong together") from error
    return context


#: How the broker's own words on our certificate begin.
REFUSES_US = "it refuses us: "
#: In the words of OpenSSL and of the C library: the other end closed the connection and did not say why.
_HUNG_UP = re.compile("EOF occurred|reset by peer|Broken pipe")


def hung_up(error: BaseException) -> bool:
    """Whether the broker closed the connection without a word. It may have given its reason the time before: what it
    says and its hanging up race each other to us."""
    return bool(_HUNG_UP.search(str(error)))


def explain(error: BaseException) -> str:
    """What went wrong with a connection, in one line that says what to do where that is known."""
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, ssl.SSLCertVerificationError):
            advice = {
                10: "renew it at the broker, and see that this computer's clock is right",
                9: "it becomes valid later: is this computer's clock right?",
            }.get(seen.verify_code, "see mqtt.tls.ca and mqtt.host")
            return f"its certificate is refused: {seen.verify_message}; {advice}"
        if isinstance(seen, ssl.SSLError):
            reason = (seen.reason or str(seen)).replace("_", " ").lower()
            return f"TLS fails: {reason}; see mqtt.tls, and whether the port speaks TLS"
        seen = seen.__cause__ or seen.__context__
    # What the broker thinks of our certificate comes after the handshake, in the words of OpenSSL alone.
    alert = re.search(r"\[SSL: (?:SSLV3|TLSV1|TLSV13)_ALERT_(\w+)\]", str(error))
    if alert:
        return f"{REFUSES_US}{alert[1].replace('_', ' ').lower()}; see mqtt.tls.certificate and its dates"
    if hung_up(error):
        return f"it hung up and did not say why ({error}); see mqtt.tls, and the broker's own log"
    return str(error) or type(error).__name__
