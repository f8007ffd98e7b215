"""An Ed25519 signature that OpenSSH's own `ssh-keygen -Y verify` checks, and the check of one.

The format is SSHSIG (OpenSSH, PROTOCOL.sshsig): what is signed is `SSHSIG`, namespace, reserved
field, name of the hash, and the SHA-512 of the message. Keys are OpenSSH's (PROTOCOL.key; public
ones RFC 4253 section 6.6 and RFC 8709). Signing and checking go through the `cryptography` library
and not through ssh-keygen, so that both work where no OpenSSH is, and the two can judge each other.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
import struct
from typing import TYPE_CHECKING

from ingest.errors import UsageError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = [
    "NAMESPACE",
    "BadSignature",
    "Key",
    "NeedsPassphrase",
    "check",
    "fingerprint",
    "public",
    "read_public",
]

NAMESPACE = "ingest-proof"
"""What the signature is for: one that was made for anything else doesn't count here."""

_MAGIC = b"SSHSIG"
_KIND = b"ssh-ed25519"
_HASH = b"sha512"
_BEGIN, _END = b"-----BEGIN SSH SIGNATURE-----\n", b"-----END SSH SIGNATURE-----\n"
_WIDTH = 70
_LIMIT = 64 * 1024
_PUBLIC = re.compile(rb"\s*ssh-ed25519\s+([A-Za-z0-9+/=]+)(\s.*)?", re.DOTALL)


class BadSignature(UsageError):
    """The signature is none, was made for something else, or doesn't belong to what it signs."""


class NeedsPassphrase(UsageError):
    """The key is locked, and the passphrase wasn't given or is another."""


class Key:
    """A private key that was read. Raises UsageError when it is none that can sign here."""

    def __init__(self, data: bytes, passphrase: bytes | None = None) -> None:
        try:
            from cryptography.hazmat.primitives.asymmetric import ed25519
            from cryptography.hazmat.primitives.serialization import load_ssh_private_key
        except ImportError as error:
            raise UsageError(
                "Signing needs the Python package cryptography, which is not installed.",
                do="python -m pip install 'cryptography' 'bcrypt'",
            ) from error
        try:
            key = load_ssh_private_key(data, passphrase)
        except TypeError as error:
            raise NeedsPassphrase("The key needs its passphrase.") from error
        except Exception as error:  # its errors are many, bcrypt's among them
            if passphrase is not None:
                raise NeedsPassphrase(
                    "The key can't be opened with this passphrase.", do="try again"
                ) from error
            raise UsageError(
                "That is no OpenSSH private key.",
                do="name the private key (without .pub); to make one: ssh-keygen -t ed25519",
            ) from error
        if not isinstance(key, ed25519.Ed25519PrivateKey):
            raise UsageError(
                "The key is not an Ed25519 one.", do="make one: ssh-keygen -t ed25519 -f FILE"
            )
        self._key: Ed25519PrivateKey = key
        self.blob = _public_blob(key.public_key().public_bytes_raw())

    @property
    def fingerprint(self) -> str:
        return fingerprint(self.blob)

    def sign(self, message: bytes) -> bytes:
        """The signature file."""
        signed = _string(_KIND) + _string(self._key.sign(_to_sign(message)))
        packed = (
            _MAGIC
            + struct.pack(">I", 1)
            + _string(self.blob)
            + _string(NAMESPACE.encode())
            + _string(b"")
            + _string(_HASH)
            + _string(signed)
        )
        return _armoured(packed)


def public(blob: bytes) -> str:
    """The public key as a line of an OpenSSH file: `ssh-ed25519 AAAA...`."""
    return f"{_KIND.decode()} {base64.b64encode(blob).decode()}"


def fingerprint(blob: bytes) -> str:
    """As `ssh-keygen -l` shows it: `SHA256:...`."""
    return "SHA256:" + base64.b64encode(hashlib.sha256(blob).digest()).decode().rstrip("=")


def read_public(data: bytes) -> bytes | None:
    """The blob of a public key file (`ssh-ed25519 AAAA... comment`), or None."""
    found = _PUBLIC.fullmatch(data[:_LIMIT])
    if found is None:
        return None
    try:
        return base64.b64decode(found[1], validate=True)
    except binascii.Error:
        return None


def check(message: bytes, signature: bytes) -> str:
    """The fingerprint of the key that signed exactly this. Raises BadSignature, UsageError.

    A file that says the same in other bytes is refused too, so that no byte of it can change.
    """
    try:
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    except ImportError as error:
        raise UsageError(
            "Checking the signature needs the Python package cryptography, which is not installed.",
            do="python -m pip install cryptography; or check it with ssh-keygen, see VERIFY.txt",
        ) from error
    packed = _unarmoured(signature)
    if packed[:6] != _MAGIC or packed[6:10] != struct.pack(">I", 1):
        raise BadSignature("The signature is of no kind that is known here.")
    blob, namespace, reserved, kind, signed, rest = _take(packed[10:], 5)
    if (namespace, reserved, kind, rest) != (NAMESPACE.encode(), b"", _HASH, b""):
        raise BadSignature("The signature was made for something else.")
    key_kind, raw, rest_of_key = _take(blob, 2)
    signed_kind, value, rest_of_value = _take(signed, 2)
    if (key_kind, signed_kind, rest_of_key, rest_of_value) != (_KIND, _KIND, b"", b""):
        raise BadSignature("The signature was made with another kind of key than Ed25519.")
    try:
        Ed25519PublicKey.from_public_bytes(raw).verify(value, _to_sign(message))
    except (InvalidSignature, ValueError) as error:
        raise BadSignature("The signature does not belong to this list.") from error
    return fingerprint(blob)


def _to_sign(message: bytes) -> bytes:
    return (
        _MAGIC
        + _string(NAMESPACE.encode())
        + _string(b"")
        + _string(_HASH)
        + _string(hashlib.sha512(message).digest())
    )


def _public_blob(raw: bytes) -> bytes:
    return _string(_KIND) + _string(raw)


def _string(data: bytes) -> bytes:
    """As SSH writes one (RFC 4251, section 5)."""
    return struct.pack(">I", len(data)) + data


def _take(data: bytes, count: int) -> list[bytes]:
    """So many strings, and what is left. Raises BadSignature."""
    found = []
    for _ in range(count):
        if len(data) < 4 or len(data) - 4 < (length := struct.unpack(">I", data[:4])[0]):
            raise BadSignature("The signature is cut short.")
        found.append(data[4 : 4 + length])
        data = data[4 + length :]
    return [*found, data]


def _armoured(packed: bytes) -> bytes:
    text = base64.b64encode(packed)
    lines = [text[place : place + _WIDTH] + b"\n" for place in range(0, len(text), _WIDTH)]
    return _BEGIN + b"".join(lines) + _END


def _unarmoured(data: bytes) -> bytes:
    if len(data) > _LIMIT or not data.startswith(_BEGIN) or not data.endswith(_END):
        raise BadSignature("The signature's file is no signature.")
    try:
        packed = base64.b64decode(data[len(_BEGIN) : -len(_END)].replace(b"\n", b""), validate=True)
    except binascii.Error as error:
        raise BadSignature("The signature's file is no signature.") from error
    if _armoured(packed) != data:
        raise BadSignature("The signature's file was changed.")
    return packed
