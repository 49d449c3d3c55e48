"""Whether a bundle is what it says: everything run again, and every difference named."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from itertools import islice
from typing import TYPE_CHECKING, Any

import brinemark as bm
from brinemark import _core
from brinemark.dossier import bundle
from brinemark.dossier.inputs import Inputs

if TYPE_CHECKING:
    from brinemark.dossier.case import Dossier

MOST_TOLD = 20
"""So many differences of one kind are told one by one; of the rest, how many there are."""

_ROUNDING = 1e-9
"""Figures closer than this share of their size differ by rounding: another processor's, say."""


@dataclass(frozen=True)
class Difference:
    """One thing in a bundle that is not as it says."""

    part: str
    """The part of the bundle."""
    place: str
    """Where in it: a row and its columns, a clause and its figure."""
    told: str
    """What the bundle says."""
    found: str
    """What is found."""

    @property
    def sentence(self) -> str:
        """It in words."""
        place = f"{self.part}, {self.place}" if self.place else self.part
        return f"{place}: {self.found}" + (f"; the bundle says {self.told}" if self.told else "")


@dataclass(frozen=True)
class Verification:
    """What came of running a bundle again."""

    fingerprint: str
    """That of the bundle as it is."""
    expected: str | None
    """The one that was exchanged, where it was given."""
    differences: list[Difference]
    """Everything that is not as the bundle says; more than a score of one kind are counted."""
    notes: list[str] = field(default_factory=list)
    """What else is to be known: another version, figures that differ by rounding."""
    worked_out: bool = True
    """Whether what is in it could be judged at all."""

    @property
    def same_fingerprint(self) -> bool | None:
        """Whether it is the fingerprint that was exchanged; None where none was given."""
        return None if self.expected is None else bundle.same_fingerprint(self.fingerprint, self.expected)

    @property
    def holds(self) -> bool:
        """Whether nothing differs, the fingerprint included where it was given."""
        return not self.differences and self.same_fingerprint is not False

    @property
    def sentence(self) -> str:
        """What came of it, in words."""
        if self.same_fingerprint is False:
            first = (
                f"NOT THE SAME BUNDLE. Its fingerprint is {self.fingerprint}, not {self.expected}: something "
                "in it was changed, or another was made."
            )
            return first if self.differences else f"{first} In itself it holds no contradiction."
        if self.differences:
            count = len(self.differences)
            return f"DOES NOT HOLD. {count} {'difference' if count == 1 else 'differences'}, named below."
        again = "Everything was run again from its inputs, to the same digits."
        if self.expected is None:
            return (
                f"NOTHING CONTRADICTS ITSELF. {again} Whether it is the bundle you were given, only its "
                f"fingerprint tells: {self.fingerprint}. Hold it against the one on the page."
            )
        return f"HOLDS. {again} Its fingerprint is the one that was exchanged."

    def to_dict(self) -> dict[str, Any]:
        """All of it as plain values, for JSON."""
        return {
            "holds": self.holds,
            "sentence": self.sentence,
            "fingerprint": self.fingerprint,
            "expected": self.expected,
            "differences": [{**asdict(of), "sentence": of.sentence} for of in self.differences],
            "notes": self.notes,
        }

    def __repr__(self) -> str:
        lines = [self.sentence, *(of.sentence for of in self.differences), *self.notes]
        return "Verification(" + "\n  ".join(lines) + ")"


def verify(dossier: Dossier, fingerprint: str | None) -> Verification:
    """As `Dossier.verify`."""
    from brinemark.dossier.case import Worked, parts_of

    expected = None if fingerprint is None else bundle.checked_fingerprint(fingerprint)
    notes = list(_other_version(dossier.manifest))
    differences = list(_changed_parts(dossier))
    inputs = Inputs.of(dossier.parts)
    worked_out = False
    try:
        log = inputs.log()
    except bm.BrinemarkError as refusal:
        differences.append(Difference("the log", "", "", f"it can't be read any more: {refusal}"))
    else:
        try:
            worked = Worked.out(inputs, log)
        except bm.BrinemarkError as refusal:
            differences += _changed_cells(dossier.parts, log)
            why = f"what is in it can't be judged any more: {refusal}"
            differences.append(Difference("inputs", "", "", why))
        else:
            again = parts_of(inputs, worked)
            if dossier.parts.get("rows.csv") != again["rows.csv"]:
                differences += _changed_cells(dossier.parts, log)
                differences += _changed_reasons(dossier.parts, again)
            if dossier.parts.get("columns.json") != again["columns.json"]:
                what = "not the digests of these readings"
                differences.append(Difference("columns.json", "", "", what))
            differences += _changed_rest(dossier.parts, again, notes)
            worked_out = True
    return Verification(dossier.fingerprint, expected, differences, notes, worked_out)


def _other_version(manifest: Mapping[str, Any]) -> Iterator[str]:
    made_by = manifest.get("brinemark")
    if made_by != bm.__version__:
        yield (
            f"It was made by brinemark {made_by}, and run again by {bm.__version__}: figures may differ for "
            "that alone. Where they do, run it again by the version that made it."
        )


def _changed_parts(dossier: Dossier) -> Iterator[Difference]:
    for part in dossier.manifest["parts"]:
        name, content = part["name"], dossier.parts[part["name"]]
        if bundle.sha256(content) != part["sha256"]:
            yield Difference(name, "", "", "changed since the manifest was written: another SHA-256")


# --- Readings -------------------------------------------------------------------------------------


def _changed_cells(told: Mapping[str, bytes], log: bm.Log) -> Iterator[Difference]:
    """The readings whose values are others than those that the bundle tells the digests of."""
    digests, columns = _core.row_digests(log._core)
    was = [line.rpartition(b",")[2].decode(errors="replace") for line in _lines(told)[1:]]
    if len(was) != len(digests):
        yield _other_rows(was, digests)
        return
    blocks = _Blocks(told.get("columns.json", b""), columns)
    rows = [row for row, (one, other) in enumerate(zip(was, digests, strict=True), start=1) if one != other]
    for row in rows[:MOST_TOLD]:
        yield _changed_row(row, blocks.changed(row), log)
    if len(rows) > MOST_TOLD:
        more = f"{len(rows) - MOST_TOLD} more readings are others than they were"
        yield Difference("the log", "", "", more)


def _changed_reasons(told: Mapping[str, bytes], again: Mapping[str, bytes]) -> Iterator[Difference]:
    """Readings of the same values that are set aside otherwise, or told with another time or number."""
    was, now = _lines(told), _lines(again)
    if len(was) == len(now):
        pairs = [(one, other) for one, other in zip(was, now, strict=True) if one != other]
        same = [one for one, other in pairs if one.rpartition(b",")[2] == other.rpartition(b",")[2]]
        if same:
            count = "1 reading is" if len(same) == 1 else f"{len(same)} readings are"
            what = f"{count} set aside for other reasons than they were, or told with another time"
            yield Difference("rows.csv", "", "", what)


def _lines(parts: Mapping[str, bytes]) -> list[bytes]:
    return parts.get("rows.csv", b"").removesuffix(b"\n").split(b"\n")


def _changed_row(row: int, columns: list[str], log: bm.Log) -> Difference:
    place = f"row {row}, {log.time()[row - 1].astype('datetime64[s]')}Z"
    if not columns:
        what = "another reading than it was; the bundle doesn't tell the column"
        return Difference("the log", place, "", what)
    shown = [f"{name} is {_cell(log, name, row - 1)}" for name in columns]
    which = "" if len(columns) == 1 else " (one of these or several were changed)"
    found = f"{'; '.join(shown)}, not what it was{which}"
    return Difference("the log", f"{place}, {', '.join(columns)}", "", found)


def _cell(log: bm.Log, name: str, row: int) -> str:
    if name in log:
        value = float(log[name][row])
        return "missing" if value != value else f"{value:.10g} {log.units[name]}".strip()
    labels = log.labels(name)
    return f"{log.time()[row]}Z" if labels is None else labels[row]


def _other_rows(was: list[str], now: list[str]) -> Difference:
    pairs = enumerate(zip(was, now, strict=False), start=1)
    first = next((row for row, (one, other) in pairs if one != other), min(len(was), len(now)) + 1)
    found = f"{len(now)} readings: some were added or taken out"
    return Difference("the log", f"from row {first} on", f"{len(was)}", found)


class _Blocks:
    """Which columns changed in which block of rows."""

    def __init__(self, told: bytes, again: dict[str, list[str]]) -> None:
        self.again = again
        try:
            columns = json.loads(told)["columns"]
            self.told: dict[str, list[str]] = {str(name): list(columns[name]) for name in columns}
        except (ValueError, KeyError, TypeError, RecursionError):
            self.told = {}

    def changed(self, row: int) -> list[str]:
        """The columns whose digests differ in the block of a row, from 1; none where that isn't told."""
        block = (row - 1) // _core.EVIDENCE_BLOCK
        return [
            name
            for name, digests in self.again.items()
            if self.told.get(name, [])[block : block + 1] not in ([], digests[block : block + 1])
        ]


# --- What follows from them -----------------------------------------------------------------------


def _changed_rest(
    told: Mapping[str, bytes], again: Mapping[str, bytes], notes: list[str]
) -> Iterator[Difference]:
    """What differs beside the readings; what is to be known of it goes to the notes."""
    other_version = bool(notes)
    off = 0.0
    for name in ("judgement.json", "result.json", "settings.json", "reading.json", bundle.MANIFEST):
        found, rounding = _changed_values(name, told.get(name, b""), again[name], other_version)
        off = max(off, rounding)
        yield from found
    if off > 0.0:
        notes.append(
            f"Some figures differ by up to {off:.0e} of their size: rounding, as of another processor or "
            "library, not another reading."
        )
    for name in sorted(set(told) ^ set(again)):
        yield Difference(
            name, "", "", "a part that this version doesn't write" if name in told else "missing"
        )
    same_text = told.get("read-me.txt") == again["read-me.txt"]
    if not same_text and not other_version:
        yield Difference("read-me.txt", "", "", "not the text that this version writes")


def _changed_values(
    part: str, told: bytes, again: bytes, other_version: bool
) -> tuple[list[Difference], float]:
    """Every place at which two JSON parts differ, and the largest difference that is but rounding."""
    if told == again:
        return [], 0.0
    try:
        was = json.loads(told)
        now = json.loads(again)
        if part == bundle.MANIFEST and isinstance(was, dict):
            # The parts were looked at themselves.
            now["parts"] = was.get("parts")
        places = list(_places(was, now, ""))
    except (ValueError, RecursionError):
        return [Difference(part, "", "", "no JSON")], 0.0
    rounded = [off for *_, off in places if off is not None]
    real = [
        Difference(part, place, _shown(one), _shown(other))
        for place, one, other, off in places
        if off is None
    ]
    if other_version:
        # That it is another is noted.
        real = [of for of in real if of.place.rpartition(".")[2] not in ("version", "brinemark")]
    if not places and part != bundle.MANIFEST:
        real = [Difference(part, "", "", "the same values, written otherwise than brinemark writes them")]
    left = len(real) - MOST_TOLD
    real = list(islice(real, MOST_TOLD))
    if left > 0:
        real.append(Difference(part, "", "", f"{left} more differences"))
    return real, max(rounded, default=0.0)


_Place = tuple[str, Any, Any, float | None]


def _places(was: Any, now: Any, place: str) -> Iterator[_Place]:
    if isinstance(was, dict) and isinstance(now, dict):
        for key in [*was, *(key for key in now if key not in was)]:
            yield from _places(
                was.get(key, _NOTHING), now.get(key, _NOTHING), f"{place}.{key}" if place else key
            )
    elif isinstance(was, list) and isinstance(now, list):
        if len(was) != len(now):
            yield place, f"{len(was)} of them", f"{len(now)} of them", None
        for at, (one, other) in enumerate(zip(was, now, strict=False)):
            yield from _places(one, other, f"{place}[{_name(other, at)}]")
    elif type(was) is not type(now) or was != now:
        yield place, was, now, _rounding(was, now)


_NOTHING = "nothing"


def _name(value: Any, at: int) -> str:
    """A clause goes by its key, a part by its name, anything else by its place."""
    if isinstance(value, dict):
        return str(value.get("key", value.get("name", at)))
    return str(at)


def _rounding(was: Any, now: Any) -> float | None:
    """The share by which two figures differ, where that is so little that it is rounding."""
    if type(was) is not float or type(now) is not float or not (math.isfinite(was) and math.isfinite(now)):
        return None
    off = abs(was - now) / max(abs(was), abs(now))
    return off if off < _ROUNDING else None


def _shown(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 200 else f"{text[:200]}…"
