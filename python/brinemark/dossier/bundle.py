"""The bundle: a zip whose bytes follow from its parts alone, and what is refused as none.

Its parts are stored as they are, not compressed: so no library's version changes a byte, no small file
unpacks to a huge one, and any tool opens it. The first part, the manifest, names all others with their
SHA-256; the SHA-256 of the manifest is the fingerprint of the whole.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import re
import struct
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

from brinemark import _core

FORMAT = "brinemark dossier 1"
MANIFEST = "manifest.json"

_NAME = re.compile(r"(inputs/)?[A-Za-z0-9_-][A-Za-z0-9._-]{0,200}")
_MOST_PARTS = 1_000
_LOCAL_HEADER = struct.Struct("<4s22xHH")
# The earliest time that a zip can hold.
_TIME = (1980, 1, 1, 0, 0, 0)
_FINGERPRINT_DIGITS = 32


def json_of(value: Any) -> bytes:
    """JSON with full digits, the same bytes each time; what is not a number is null."""
    return (json.dumps(_plain(value), indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _plain(of) for key, of in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(of) for of in value]
    return value


def with_manifest(told: Mapping[str, Any], parts: Mapping[str, bytes]) -> dict[str, bytes]:
    """The parts behind a manifest that says what is `told` and names each."""
    listed = [{"name": name, "bytes": len(of), "sha256": sha256(of)} for name, of in parts.items()]
    return {MANIFEST: json_of({"format": FORMAT, **told, "parts": listed}), **parts}


def sha256(content: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def fingerprint(manifest: bytes) -> str:
    """The first half of the manifest's SHA-256, in fours: short enough to be read out, long enough that
    nobody makes two bundles of one fingerprint.
    """
    return " ".join(re.findall("....", sha256(manifest)[:_FINGERPRINT_DIGITS]))


def same_fingerprint(one: str, other: str) -> bool:
    """Whether two are the same, however they are spaced."""
    return _digits(one) == _digits(other)


def checked_fingerprint(text: str) -> str:
    """A fingerprint as a person typed it, in fours. Raises RangeError where it is none."""
    digits = _digits(text)
    if not re.fullmatch(rf"[0-9a-f]{{{_FINGERPRINT_DIGITS}}}", digits):
        raise _core.RangeError(
            f"fingerprint {text!r}: not a fingerprint; all {_FINGERPRINT_DIGITS} digits 0-9 and a-f, as the "
            "page shows them"
        )
    return " ".join(re.findall("....", digits))


def _digits(text: str) -> str:
    return re.sub(r"[\s:-]", "", text).lower()


def zipped(parts: Mapping[str, bytes]) -> bytes:
    """The bundle's bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for name, content in parts.items():
            entry = zipfile.ZipInfo(name, _TIME)
            # As on any other system: otherwise it would tell on which it was made.
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, content)
    return buffer.getvalue()


def is_bundle(path: str | os.PathLike[str]) -> bool:
    """Whether a file begins as a zip does. Raises FileError where it can't be read."""
    try:
        with open(path, "rb") as file:
            return file.read(4) == b"PK\x03\x04"
    except OSError as cause:
        raise _core.FileError(f"{os.fspath(path)} can't be read: {cause.strerror}") from cause


def unzipped(path: str | os.PathLike[str]) -> dict[str, bytes]:
    """The parts of a bundle, as its manifest names them; no file is written.

    Raises: FileError where it can't be read, or is no bundle.
    """
    try:
        whole = Path(path).read_bytes()
    except OSError as cause:
        raise _core.FileError(f"{os.fspath(path)} can't be read: {cause.strerror}") from cause
    try:
        return _parts_of(whole)
    except _NotABundleError as why:
        raise _core.FileError(
            f"{os.fspath(path)} is not a bundle as brinemark writes it: {why}; ask for it again"
        ) from None


class _NotABundleError(Exception):
    """Why some bytes are no bundle."""


def _refuse(why: str) -> NoReturn:
    raise _NotABundleError(why)


def _parts_of(whole: bytes) -> dict[str, bytes]:
    try:
        with zipfile.ZipFile(io.BytesIO(whole)) as archive:
            entries = archive.infolist()
    # The module raises half a dozen kinds on damaged files, some of them not its own.
    except Exception:
        _refuse("not a zip, or a damaged one")
    if len(entries) > _MOST_PARTS:
        _refuse(f"{len(entries)} parts, where {_MOST_PARTS} are the most")
    parts: dict[str, bytes] = {}
    # Parts that lie over one another would be more than the file itself.
    left = len(whole)
    for entry in entries:
        name = entry.filename
        if not _NAME.fullmatch(name):
            _refuse(f"a part is named {name[:80]!r}")
        if name in parts:
            _refuse(f"{name} is there twice")
        if entry.compress_type != zipfile.ZIP_STORED or entry.flag_bits & 1:
            _refuse(f"{name} is compressed or encrypted")
        left -= entry.file_size
        if left < 0:
            _refuse("its parts are larger than the file")
        parts[name] = _stored(whole, entry)
    _check_manifest(parts)
    return parts


def _stored(whole: bytes, entry: zipfile.ZipInfo) -> bytes:
    """The bytes of a part. Read without its checksum: a changed part is to be looked at, not refused."""
    start = entry.header_offset
    header = whole[start : start + _LOCAL_HEADER.size]
    if start < 0 or len(header) < _LOCAL_HEADER.size or not header.startswith(b"PK\x03\x04"):
        _refuse(f"{entry.filename} is not where the zip says")
    _, name, extra = _LOCAL_HEADER.unpack(header)
    start += _LOCAL_HEADER.size + name + extra
    content = whole[start : start + entry.file_size]
    if len(content) != entry.file_size or entry.compress_size != entry.file_size:
        _refuse(f"{entry.filename} is cut off")
    return content


def object_of(parts: Mapping[str, bytes], name: str) -> dict[str, Any]:
    """A part that is a JSON object. Raises FileError where it is none."""
    try:
        return _object(parts, name)
    except _NotABundleError as why:
        raise _core.FileError(f"the bundle is not as brinemark writes it: {why}") from None


def _object(parts: Mapping[str, bytes], name: str) -> dict[str, Any]:
    try:
        found = json.loads(parts[name])
    except KeyError:
        _refuse(f"{name} is missing")
    except (ValueError, RecursionError):
        _refuse(f"{name} is no JSON")
    if not isinstance(found, dict):
        _refuse(f"{name} is no JSON object")
    return found


def _check_manifest(parts: Mapping[str, bytes]) -> None:
    manifest = _object(parts, MANIFEST)
    if manifest.get("format") != FORMAT:
        _refuse(f"its format is {str(manifest.get('format'))[:80]!r}, where this version reads {FORMAT!r}")
    listed = manifest.get("parts")
    if not isinstance(listed, list) or not all(
        isinstance(part, dict) and isinstance(part.get("name"), str) and isinstance(part.get("sha256"), str)
        for part in listed
    ):
        _refuse("its manifest names no parts")
    named = [part["name"] for part in listed]
    if sorted([MANIFEST, *named]) != sorted(parts):
        odd = sorted({MANIFEST, *named} ^ set(parts)) or ["one of them twice"]
        _refuse(f"its parts are not those that its manifest names: {odd[0][:80]}")
