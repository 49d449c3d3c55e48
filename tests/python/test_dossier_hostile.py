"""Bundles that somebody damaged or made to harm: refused with one message, or told as what they are."""

from __future__ import annotations

import contextlib
import io
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from dossiers import LOG, LOG_PART, rehashed
from hypothesis import given, settings, strategies as st

import brinemark as bm
from brinemark.dossier import bundle


def zip_of(entries: list[tuple[str, bytes]], compression: int = zipfile.ZIP_STORED) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", compression) as archive:
        for name, content in entries:
            archive.writestr(name, content)
    return buffer.getvalue()


def entries(dossier: bm.Dossier) -> list[tuple[str, bytes]]:
    return list(dossier.parts.items())


def overlapping() -> bytes:
    """Many names for the same bytes, which lie there once."""
    one = bytearray(zip_of([("a.txt", b"0" * 10_000)]))
    at = one.index(b"PK\x01\x02")
    record = bytes(one[at : one.index(b"PK\x05\x06")])
    end = bytearray(one[one.index(b"PK\x05\x06") :])
    count = 900
    end[8:12] = struct.pack("<HH", count, count)
    end[12:16] = struct.pack("<I", count * len(record))
    records = b"".join(record.replace(b"a.txt", f"{n:05}".encode()) for n in range(count))
    return bytes(one[:at]) + records + bytes(end)


def encrypted(dossier: bm.Dossier) -> bytes:
    whole = bytearray(zip_of(entries(dossier)))
    at = whole.index(b"PK\x01\x02")
    whole[at + 8] |= 1
    return bytes(whole)


HOSTILE: dict[str, Callable[[bm.Dossier], bytes]] = {
    "empty": lambda _: b"",
    "no zip": lambda _: b"PK\x03\x04 but nothing else",
    "a log": lambda _: LOG.encode(),
    "no parts": lambda _: zip_of([]),
    "cut off": lambda dossier: zip_of(entries(dossier))[:5000],
    "compressed": lambda dossier: zip_of(entries(dossier), zipfile.ZIP_DEFLATED),
    "a bomb": lambda _: zip_of([("manifest.json", b"0" * 50_000_000)], zipfile.ZIP_DEFLATED),
    "overlapping": lambda _: overlapping(),
    "encrypted": encrypted,
    "out of its folder": lambda dossier: zip_of([*entries(dossier), ("../../evil.txt", b"x")]),
    "an absolute name": lambda dossier: zip_of([*entries(dossier), ("/tmp/evil.txt", b"x")]),
    "another drive": lambda dossier: zip_of([*entries(dossier), ("C:\\evil.txt", b"x")]),
    "a hidden name": lambda dossier: zip_of([*entries(dossier), ("inputs/..", b"x")]),
    "a part more": lambda dossier: zip_of([*entries(dossier), ("more.txt", b"x")]),
    "a part less": lambda dossier: zip_of(entries(dossier)[:-1]),
    "no manifest": lambda dossier: zip_of(entries(dossier)[1:]),
    "too many": lambda _: zip_of([(f"{n}.txt", b"") for n in range(1_001)]),
    "a manifest of nothing": lambda _: zip_of([("manifest.json", b"")]),
    "a manifest of a list": lambda _: zip_of([("manifest.json", b"[]")]),
    "a deep manifest": lambda _: zip_of([("manifest.json", b"[" * 200_000)]),
    "another format": lambda _: zip_of(
        [("manifest.json", b'{"format": "brinemark dossier 99", "parts": []}')]
    ),
    "no list of parts": lambda _: zip_of(
        [("manifest.json", b'{"format": "brinemark dossier 1", "parts": 7}')]
    ),
}


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_bundle_is_refused_with_one_message(what: str, dossier: bm.Dossier, tmp_path: Path) -> None:
    path = tmp_path / "in" / "bundle.zip"
    path.parent.mkdir()
    path.write_bytes(HOSTILE[what](dossier))
    with pytest.raises(bm.FileError) as refused:
        bm.Dossier.load(path)
    assert str(refused.value).startswith(str(path))
    assert str(refused.value).count("\n") == 0
    assert [of.name for of in tmp_path.rglob("*")] == ["in", "bundle.zip"]


def test_a_part_that_is_there_twice(dossier: bm.Dossier, tmp_path: Path) -> None:
    path = tmp_path / "bundle.zip"
    with pytest.warns(UserWarning, match="Duplicate"):
        path.write_bytes(zip_of([*entries(dossier), (LOG_PART, b"time\n")]))
    with pytest.raises(bm.FileError, match="twice"):
        bm.Dossier.load(path)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("settings.json", b"{}"),
        ("settings.json", b'{"analyses": 7, "level": 0.9, "risk": 0.05, "override": false}'),
        ("settings.json", b'{"analyses": [], "level": 7.5, "risk": 0.05, "override": false}'),
        ("settings.json", b"nonsense"),
        ("reading.json", b'{"watch": 1}'),
        ("reading.json", b'{"tz": 7}'),
        ("reading.json", b'{"columns": {"a": {"b": "c"}}}'),
        ("inputs/site.toml", b"\xff\xfe"),
        ("inputs/site.toml", b"[site]\n"),
        ("inputs/terms.toml", b""),
        (LOG_PART, b""),
        (LOG_PART, b"\x00" * 1000),
        ("columns.json", b"[]"),
        ("columns.json", b'{"columns": {"feed_pressure": 7}}'),
        ("rows.csv", b""),
        ("rows.csv", b'"\n"\n'),
        ("judgement.json", b"{}"),
        ("judgement.json", b"[" * 100_000),
    ],
)
def test_odd_parts_are_refused_or_told(dossier: bm.Dossier, name: str, content: bytes) -> None:
    # Whatever else were raised would be a fault of ours.
    with contextlib.suppress(bm.BrinemarkError):
        assert not rehashed(dossier, {name: content}).verify().holds


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_damage_goes_unseen(
    dossier: bm.Dossier, tmp_path_factory: pytest.TempPathFactory, data: Any
) -> None:
    whole = bytearray(bundle.zipped(dossier.parts))
    at = data.draw(st.integers(0, len(whole) - 1))
    whole[at] ^= data.draw(st.integers(1, 255))
    path = tmp_path_factory.mktemp("damaged") / "bundle.zip"
    path.write_bytes(bytes(whole))
    try:
        damaged = bm.Dossier.load(path)
    except bm.FileError:
        return
    if damaged.parts == dossier.parts:
        # A byte of the zip's own books, a checksum or a time, that says nothing of the parts.
        return
    try:
        found = damaged.verify(fingerprint=dossier.fingerprint)
    except bm.BrinemarkError:
        return
    assert not found.holds
