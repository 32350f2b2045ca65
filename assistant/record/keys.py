"""The key that seals a shop's jobs: one Ed25519 pair in a folder of its own. Whoever holds seal.key can seal; seal.pub is for everyone."""

import base64
import hashlib
import os
import secrets
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat, load_pem_private_key, load_pem_public_key

from assistant.errors import SealError
from assistant.record.faults import explain, make_folder, sync_directory, write_whole

KEY, PUBLIC = "seal.key", "seal.pub"
_RAW_BYTES = 32
"""Of an Ed25519 public key (RFC 8032)."""


def load_or_make_key(folder: Path) -> Ed25519PrivateKey:
    """The key of a folder, made with its public half where there is none.

    Raises SealError where the key is damaged, can be read by others, or was lost while its public half is still there; JournalError where
    the folder cannot be written.
    """
    path = folder / KEY
    try:
        if not path.exists():
            if (folder / PUBLIC).exists():
                raise SealError(f"{path} is missing, but its public half {PUBLIC} is there: restore the key from a copy, or move {PUBLIC} away to begin with a new key.")
            _make(folder)
        key = _read(path)
        public = key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
        if not (folder / PUBLIC).exists():
            write_whole(folder / PUBLIC, public)
        elif load_public_key(folder / PUBLIC) != key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw):
            raise SealError(f"{folder / PUBLIC} does not belong to {path}: restore both from one copy.")
    except OSError as error:
        raise explain(error, folder, "read or make the sealing key in") from error
    return key


def load_public_key(path: Path) -> bytes:
    """The raw public key (32 bytes) of a file: PEM as in seal.pub, or base64 as in a record. Raises SealError."""
    try:
        content = path.read_bytes()
        if b"-----BEGIN" in content:
            key = load_pem_public_key(content)
            if not isinstance(key, Ed25519PublicKey):
                raise ValueError("another kind of key")
            return key.public_bytes(Encoding.Raw, PublicFormat.Raw)
        raw = base64.b64decode(content.strip(), validate=True)
        if len(raw) != _RAW_BYTES:
            raise ValueError("another length")
        return raw
    except OSError as error:
        raise SealError(f"The public key {path} cannot be read ({error.strerror}); check its name.") from None
    except (ValueError, UnsupportedAlgorithm):
        raise SealError(f"{path} holds no Ed25519 public key; give the shop's {PUBLIC}.") from None


def short_id(public_key: bytes) -> str:
    """How a key is named in print: the first 16 hexadecimal digits of the SHA-256 of its 32 raw bytes."""
    return hashlib.sha256(public_key).hexdigest()[:16]


def _read(path: Path) -> Ed25519PrivateKey:
    if os.name == "posix" and path.stat().st_mode & 0o077:
        raise SealError(f"The sealing key {path} can be read by others, so it proves nothing: run chmod 600 {path}, and make a new key if somebody may have copied it.")
    try:
        key = load_pem_private_key(path.read_bytes(), None)
        if not isinstance(key, Ed25519PrivateKey):
            raise ValueError("another kind of key")
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise SealError(f"The sealing key {path} is damaged; restore it from a copy, or move it and {PUBLIC} away to begin with a new key.") from None
    return key


def _make(folder: Path) -> None:
    """Whole or not at all, and never over another: two benches may begin at once."""
    make_folder(folder, 0o700)
    text = Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    part = folder / f".{KEY}.{os.getpid()}.{secrets.token_hex(4)}.part"
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(part, folder / KEY)
        except FileExistsError:
            return  # another program was quicker; its key is as good
        sync_directory(folder)
    finally:
        part.unlink(missing_ok=True)
