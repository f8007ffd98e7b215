"""The signature, judged by OpenSSH's own ssh-keygen (PROTOCOL.sshsig), both ways."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from ingest.errors import UsageError
from ingest.report.proof.signature import (
    NAMESPACE,
    BadSignature,
    Key,
    NeedsPassphrase,
    check,
    fingerprint,
    public,
    read_public,
)

KEYGEN = shutil.which("ssh-keygen")
needs_keygen = pytest.mark.skipif(KEYGEN is None, reason="no ssh-keygen on this machine")
MESSAGE = b"0123  proof.pdf\n"


def keygen(*words: str, given: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    assert KEYGEN is not None
    return subprocess.run([KEYGEN, *words], input=given, capture_output=True, check=False)


def new_key(folder: Path, *, kind: str = "ed25519", passphrase: str = "") -> Path:
    path = folder / f"key-{kind}"
    made = keygen("-q", "-t", kind, "-N", passphrase, "-C", "", "-f", str(path))
    assert made.returncode == 0, made.stderr
    return path


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path


def verify(folder: Path, key: Key, message: bytes, signature: bytes) -> bool:
    (folder / "allowed").write_text(f'proof namespaces="{NAMESPACE}" {public(key.blob)}\n')
    (folder / "message.sig").write_bytes(signature)
    ran = keygen(
        "-Y", "verify", "-f", str(folder / "allowed"), "-I", "proof", "-n", NAMESPACE,
        "-s", str(folder / "message.sig"), given=message,
    )  # fmt: skip
    return ran.returncode == 0


@needs_keygen
def test_what_is_signed_here_is_good_to_ssh_keygen_and_nothing_else_is(place: Path) -> None:
    """`ssh-keygen -Y verify` with no program of ours."""
    key = Key(new_key(place).read_bytes())
    signature = key.sign(MESSAGE)
    assert verify(place, key, MESSAGE, signature)
    assert not verify(place, key, MESSAGE + b" ", signature)


@needs_keygen
def test_what_ssh_keygen_signs_is_good_here(place: Path) -> None:
    """Byte for byte the same file, since Ed25519 has one signature of a message (RFC 8032)."""
    path = new_key(place)
    theirs = keygen("-Y", "sign", "-f", str(path), "-n", NAMESPACE, given=MESSAGE).stdout
    key = Key(path.read_bytes())
    assert check(MESSAGE, theirs) == key.fingerprint
    assert theirs == key.sign(MESSAGE)


@needs_keygen
def test_the_fingerprint_is_the_one_that_ssh_keygen_shows(place: Path) -> None:
    """`ssh-keygen -l`, and the same from the .pub file."""
    path = new_key(place)
    shown = keygen("-l", "-f", str(path)).stdout.decode().split()[1]
    blob = read_public(path.with_suffix(".pub").read_bytes())
    assert blob is not None
    assert Key(path.read_bytes()).fingerprint == shown == fingerprint(blob)


@needs_keygen
def test_a_signature_made_for_something_else_is_refused(place: Path) -> None:
    """A namespace keeps a signature over a mail or a commit from counting as one over a proof."""
    path = new_key(place)
    theirs = keygen("-Y", "sign", "-f", str(path), "-n", "file", given=MESSAGE).stdout
    with pytest.raises(BadSignature):
        check(MESSAGE, theirs)


@needs_keygen
def test_every_byte_of_signature_and_message_counts(place: Path) -> None:
    """Any bit of either flipped is refused, line ends and padding too."""
    signature = Key(new_key(place).read_bytes()).sign(MESSAGE)
    for position in range(len(signature)):
        changed = bytearray(signature)
        changed[position] ^= 1
        with pytest.raises(BadSignature):
            check(MESSAGE, bytes(changed))
    for position in range(len(MESSAGE)):
        other = bytearray(MESSAGE)
        other[position] ^= 1
        with pytest.raises(BadSignature):
            check(bytes(other), signature)


@needs_keygen
def test_a_locked_key_needs_its_passphrase_and_opens_with_it(place: Path) -> None:
    """Without it, or with another one, nothing is signed."""
    data = new_key(place, passphrase="lantern oil").read_bytes()
    with pytest.raises(NeedsPassphrase):
        Key(data)
    with pytest.raises(NeedsPassphrase):
        Key(data, b"salt")
    key = Key(data, b"lantern oil")
    assert check(MESSAGE, key.sign(MESSAGE)) == key.fingerprint


@needs_keygen
def test_what_is_no_ed25519_key_is_refused_with_the_remedy(place: Path) -> None:
    """Another kind of key, a public key, and no key at all."""
    path = new_key(place, kind="ecdsa")
    for data in (path.read_bytes(), path.with_suffix(".pub").read_bytes(), b"", b"\x00"):
        with pytest.raises(UsageError) as error:
            Key(data)
        assert "ssh-keygen" in error.value.do


@pytest.mark.parametrize("data", [b"", b"-----BEGIN SSH SIGNATURE-----\n", b"\xff" * 100])
def test_what_is_no_signature_is_refused(data: bytes) -> None:
    """Whatever lies in its place."""
    with pytest.raises(BadSignature):
        check(MESSAGE, data)
