"""The dossier: run again to the same digits, and any tampering found."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from dossiers import CASE, COLUMNS, LOG, LOG_PART, ROWS, made, rehashed, with_cell, with_parts
from hypothesis import given, settings, strategies as st
from test_page import _Page

import brinemark as bm
from brinemark import cli
from brinemark.demo.warranty import make_case
from brinemark.dossier import bundle


@pytest.fixture(scope="module")
def path(dossier: bm.Dossier, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("dossier") / "case.zip"
    dossier.save(path)
    return path


# --- The same again -----------------------------------------------------------------------------------------


def test_the_same_input_makes_the_same_bytes(dossier: bm.Dossier, tmp_path: Path) -> None:
    copy = tmp_path / "linen.csv"
    copy.write_bytes(CASE.log_path().read_bytes())
    again = made(copy)
    assert bundle.zipped(again.parts) == bundle.zipped(dossier.parts)
    assert again.fingerprint == dossier.fingerprint
    assert again.page().html == dossier.page().html


def test_any_tool_opens_the_bundle(dossier: bm.Dossier, path: Path) -> None:
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        assert archive.namelist()[0] == "manifest.json"
        assert archive.read(LOG_PART) == CASE.log_path().read_bytes()
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    assert bm.Dossier.load(path).parts == dossier.parts


def test_the_parts_tell_everything(dossier: bm.Dossier) -> None:
    rows = dossier.parts["rows.csv"].decode().splitlines()
    assert rows[0] == "row,time,reasons,digest"
    assert len(rows) == len(ROWS)
    assert json.loads(dossier.parts["judgement.json"]) == dossier.judgements
    result = json.loads(dossier.parts["result.json"])
    assert result["version"] == bm.__version__
    assert "sources" not in result
    assert dossier.manifest["verdicts"]["broken"] > 0
    for content in dossier.parts.values():
        assert str(CASE.log_path().parent).encode() not in content


def test_it_verifies_in_another_folder_and_process(dossier: bm.Dossier, path: Path, tmp_path: Path) -> None:
    ran = subprocess.run(
        [
            sys.executable,
            "-m",
            "brinemark.cli",
            "warranty",
            "--verify",
            path,
            "--fingerprint",
            dossier.fingerprint,
        ],
        cwd=tmp_path,
        env={**os.environ, "TZ": "Asia/Tokyo", "LC_ALL": "C", "RAYON_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert ran.stdout.startswith("HOLDS.")
    assert list(tmp_path.iterdir()) == []


def test_options_and_a_kept_baseline_go_with_it(tmp_path: Path) -> None:
    log = tmp_path / "odd name; of a log.csv"
    log.write_text(LOG.replace("Z,", ",").replace(",", ";").replace(".", ","), encoding="utf-8")
    mapping = tmp_path / "mapping.toml"
    mapping.write_text('decimal = ","\n', encoding="utf-8")
    site = bm.Site.load(CASE.site_path())
    kept = bm.baseline(bm.read_log(CASE.log_path()), site)
    dossier = made(log, baseline=kept, mapping=mapping, tz="UTC")
    assert dossier.verify().holds
    assert dossier.judgements == made(baseline=kept).judgements


def test_without_the_fingerprint_it_says_what_it_cannot_tell(dossier: bm.Dossier) -> None:
    found = dossier.verify()
    assert found.holds
    assert found.same_fingerprint is None
    assert found.sentence.startswith("NOTHING CONTRADICTS ITSELF")
    assert dossier.fingerprint in found.sentence


@pytest.mark.parametrize("typed", ["{}", " {} ", "{:u}", "{:-}"])
def test_a_fingerprint_is_taken_as_people_type_it(dossier: bm.Dossier, typed: str) -> None:
    digits = dossier.fingerprint
    digits = digits.upper() if typed == "{:u}" else digits.replace(" ", "-") if typed == "{:-}" else digits
    assert dossier.verify(fingerprint=digits).same_fingerprint


@pytest.mark.parametrize("typed", ["", "3f2a", "zzzz" * 8, "0" * 33])
def test_what_is_no_fingerprint_is_refused(dossier: bm.Dossier, typed: str) -> None:
    with pytest.raises(bm.RangeError, match="not a fingerprint"):
        dossier.verify(fingerprint=typed)


# --- Tampering ----------------------------------------------------------------------------------------------


def changed(cell: str, column: str) -> str:
    """Another cell that could stand there."""
    if not cell:
        return "3.3"
    if column == "time":
        return cell.replace("T07:00", "T07:01").replace("T19:00", "T19:01")
    return f"{float(cell) * 1.01 + 0.1:.3f}"


CELLS = st.tuples(st.integers(1, len(ROWS) - 1), st.integers(0, len(COLUMNS) - 1), st.booleans())


@settings(max_examples=25, deadline=None)
@given(CELLS)
def test_any_one_changed_cell_is_found_and_named(dossier: bm.Dossier, cell: tuple[int, int, bool]) -> None:
    row, column, emptied = cell
    old = ROWS[row].split(",")[column]
    name = COLUMNS[column]
    new = "" if emptied and old and name != "time" else changed(old, name)
    log = with_cell(row, column, new)
    # Whoever changes the file alone, and whoever sets every hash right.
    for tampered in (with_parts(dossier, **{LOG_PART: log}), rehashed(dossier, {LOG_PART: log})):
        found = tampered.verify()
        assert not found.holds
        named = [of for of in found.differences if of.part == "the log"]
        assert [of.place for of in named] == [f"row {row}, {_shown_time(log, row)}, {name}"], found
    # Whoever works all of it out anew contradicts himself nowhere, but has another fingerprint.
    assert rehashed(dossier, {LOG_PART: log}).fingerprint != dossier.fingerprint


def _shown_time(log: bytes, row: int) -> str:
    return log.decode().splitlines()[row].split(",")[0].replace("Z", ":00Z")


def test_a_careful_tamperer_has_another_fingerprint(dossier: bm.Dossier, tmp_path: Path) -> None:
    log = tmp_path / "linen.csv"
    log.write_bytes(with_cell(1400, COLUMNS.index("permeate_flow"), "9.99"))
    anew = made(log)
    assert anew.verify().holds
    found = anew.verify(fingerprint=dossier.fingerprint)
    assert not found.holds
    assert found.sentence.startswith("NOT THE SAME BUNDLE")
    assert "row 1400" in " ".join(dossier.beside(anew).inputs)


def test_a_cell_that_is_no_figure_any_more(dossier: bm.Dossier) -> None:
    found = rehashed(dossier, {LOG_PART: with_cell(7, 5, "9.O5")}).verify()
    assert not found.holds
    assert not found.worked_out
    (difference,) = found.differences
    assert "row 7" in difference.sentence
    assert "permeate_flow" in difference.sentence


def test_readings_are_named_where_nothing_can_be_judged_any_more(dossier: bm.Dossier) -> None:
    parts = {LOG_PART: with_cell(9, 5, "9.5"), "inputs/terms.toml": b"[warranty]\n"}
    found = rehashed(dossier, parts).verify()
    assert not found.worked_out
    assert "row 9" in found.differences[0].place
    assert "permeate_flow" in found.differences[0].place


@pytest.mark.parametrize("change", ["added", "taken out"])
def test_a_row_more_or_less(dossier: bm.Dossier, change: str) -> None:
    lines = list(ROWS)
    if change == "added":
        lines.insert(101, lines[101].replace("T19:00", "T13:00").replace("T07:00", "T01:00"))
    else:
        del lines[101]
    found = rehashed(dossier, {LOG_PART: ("\n".join(lines) + "\n").encode()}).verify()
    (named,) = (of for of in found.differences if of.part == "the log")
    assert named.place.startswith("from row 10")
    assert str(len(lines) - 1) in named.sentence


def test_several_changed_cells_are_counted(dossier: bm.Dossier) -> None:
    column = COLUMNS.index("feed_pressure")
    lines = [ROWS[0], *(re.sub(r"^((?:[^,]*,){2})([^,]+)", r"\g<1>9.87", line) for line in ROWS[1:])]
    assert lines[1].split(",")[column] == "9.87"
    found = rehashed(dossier, {LOG_PART: "\n".join(lines).encode()}).verify()
    named = [of for of in found.differences if of.part == "the log"]
    assert len([of for of in named if of.place]) == 20
    assert any("more readings are others" in of.found for of in found.differences)


@pytest.mark.parametrize("name", ["rows.csv", "columns.json", "judgement.json", "result.json", "read-me.txt"])
def test_what_was_worked_out_is_held_against_what_follows(dossier: bm.Dossier, name: str) -> None:
    content = dossier.parts[name]
    other = {
        "rows.csv": lambda: content.replace(b"\n2,", b"\n3,", 1),
        "columns.json": lambda: re.sub(rb"[0-9a-f]{16}", b"0" * 16, content, count=1),
        "judgement.json": lambda: content.replace(b'"broken"', b'"kept"', 1),
        "result.json": lambda: content.replace(b"standard practice", b"other practice", 1),
        "read-me.txt": lambda: content + b"All is well.\n",
    }[name]()
    assert other != content
    found = rehashed(dossier, {name: other}).verify()
    assert not found.holds
    assert any(of.part == name for of in found.differences), found


def test_a_verdict_turned_round_is_named_by_its_clause(dossier: bm.Dossier) -> None:
    told = json.loads(dossier.parts["judgement.json"])
    clause = next(of for of in told[0]["clauses"] if of["verdict"] == "broken")
    clause["verdict"] = "kept"
    found = rehashed(dossier, {"judgement.json": bundle.json_of(told)}).verify()
    (difference,) = found.differences
    assert clause["key"] in difference.place
    assert (difference.told, difference.found) == ("kept", "broken")


def test_rounding_is_told_from_another_reading(dossier: bm.Dossier) -> None:
    told = json.loads(dossier.parts["judgement.json"])
    clause = next(of for of in told[0]["clauses"] if of["figure"] is not None)
    clause["figure"]["value"] *= 1.0 + 1e-13
    found = rehashed(dossier, {"judgement.json": bundle.json_of(told)}).verify()
    assert not found.differences
    assert any("rounding" in note for note in found.notes)


def test_another_version_is_said_plainly(dossier: bm.Dossier) -> None:
    told = {**dossier.manifest, "brinemark": "0.0.9"}
    found = with_parts(dossier, **{bundle.MANIFEST: bundle.json_of(told)}).verify()
    assert any("0.0.9" in note for note in found.notes)
    assert not found.differences


def test_another_method_is_named(dossier: bm.Dossier) -> None:
    told = {**dossier.manifest, "brinemark": "0.0.9", "method": "standard practice, brinemark method 0"}
    found = with_parts(dossier, **{bundle.MANIFEST: bundle.json_of(told)}).verify()
    assert [of.place for of in found.differences] == ["method"]
    assert "method 0" in found.differences[0].sentence


def test_other_terms_don_t_go_unseen(dossier: bm.Dossier) -> None:
    terms = dossier.parts["inputs/terms.toml"].replace(b"10.6 m3/h", b"9.6 m3/h")
    found = rehashed(dossier, {"inputs/terms.toml": terms}).verify()
    assert any("guarantee.permeate_flow" in of.place for of in found.differences)


# --- Overridden ---------------------------------------------------------------------------------------------


def test_an_override_marks_every_output(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    forced = made(override=True)
    assert forced.manifest["override"] is True
    assert "OVERRIDDEN" in repr(forced)
    assert "OVERRIDDEN." in forced.page().html
    assert all(of["override"] for of in json.loads(forced.parts["judgement.json"]))
    assert json.loads(forced.parts["settings.json"])["override"] is True
    arguments = [str(CASE.log_path()), "--site", str(CASE.site_path()), "--terms", str(CASE.terms_path())]
    assert cli.main(["warranty", *arguments, "--override", "--out", str(tmp_path)]) == 0
    assert "OVERRIDDEN" in capsys.readouterr().out
    assert cli.main(["warranty", *arguments, "--override", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["override"] is True
    assert cli.main(["warranty", "--verify", str(tmp_path / "dossier.zip")]) == 0
    assert "OVERRIDDEN" in capsys.readouterr().out
    # Turned off by a tamperer.
    settings = forced.parts["settings.json"].replace(b"true", b"false")
    assert not rehashed(forced, {"settings.json": settings}).verify().holds


def test_without_an_override_nothing_says_so(dossier: bm.Dossier) -> None:
    assert "OVERRIDDEN" not in dossier.page().html


# --- Both sides ---------------------------------------------------------------------------------------------


def test_both_sides_readings_of_one_log(dossier: bm.Dossier) -> None:
    other = dossier.by(bm.Terms.load(CASE.other_terms_path()))
    both = dossier.beside(other)
    flow = next(pair for pair in both.pairs if pair.key == "guarantee.permeate_flow")
    assert flow.one is not None
    assert flow.other is not None
    assert (flow.one["verdict"], flow.other["verdict"]) == ("broken", "kept")
    assert {"verdict", "figure"} <= set(flow.differs)
    assert "same log" in both.inputs[0]
    assert "guarantee.permeate_flow" in both.sentence
    pressure = next(pair for pair in both.pairs if pair.key == "limit.feed_pressure")
    assert pressure.differs == []
    assert json.loads(json.dumps(both.to_dict()))["names"] == list(both.names)
    # By the other's own bundle it is the same.
    theirs = bm.Dossier.make(
        CASE.log_path(), bm.Site.load(CASE.site_path()), bm.Terms.load(CASE.other_terms_path())
    )
    assert theirs.fingerprint == other.fingerprint
    html = dossier.page(other=other).html
    assert "Both sides" in html
    assert other.fingerprint in html


def test_a_clause_that_only_one_side_has(dossier: bm.Dossier) -> None:
    text = CASE.terms_path().read_text(encoding="utf-8")
    without = bm.Terms.parse(text.replace('[limit.feed_free_chlorine]\nhigh = "0.1 mg/L"\n', ""))
    both = dossier.beside(dossier.by(without))
    assert [(pair.key, pair.differs) for pair in both.pairs if pair.differs] == [
        ("limit.feed_free_chlorine", ["only one side has it"])
    ]


# --- The page -----------------------------------------------------------------------------------------------


def test_the_page_is_whole_and_says_what_it_must(dossier: bm.Dossier) -> None:
    html = dossier.page().html
    read = _Page(html)
    assert "<script" not in html
    assert "@import" not in html
    assert all(link.startswith("#") for link in read.links)
    assert len(read.ids) == len(set(read.ids))
    assert {link.removeprefix("#") for link in read.links} | set(read.references) <= set(read.ids)
    text = read.text.replace("\u00a0", " ")
    for words in (
        dossier.fingerprint,
        dossier.manifest["site"],
        dossier.manifest["terms"],
        "not a ruling",
        "brinemark warranty --verify",
        *dossier.judgements[0]["cautions"],
        *(clause["sentence"] for clause in dossier.judgements[0]["clauses"]),
        *(clause["words"][1:] for clause in dossier.judgements[0]["clauses"]),
        *(part["sha256"] for part in dossier.manifest["parts"]),
        "Gaps in the records",
        "Instruments that carry the verdicts",
    ):
        assert words in text, words
    # Words, and a shape for each verdict: not colour alone.
    for verdict in ("kept", "broken", "cannot be judged"):
        assert re.search(rf"<svg viewBox[^\n]*</svg> {verdict}</span>", html), verdict
    for caution in dossier.judgements[0]["cautions"]:
        text = text.replace(caution, "")
    assert re.search(r"\bis safe\b", text) is None


def test_hostile_words_stay_text(dossier: bm.Dossier) -> None:
    hostile = '<script>alert("x")</script>'
    text = CASE.terms_path().read_text(encoding="utf-8")
    terms = bm.Terms.parse(re.sub(r"^name = .*$", f"name = '{hostile}'", text, count=1, flags=re.MULTILINE))
    html = dossier.by(terms).page().html
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_the_course_ends_where_the_judgement_stands(dossier: bm.Dossier) -> None:
    clauses = {clause["key"]: clause for clause in dossier.judgements[0]["clauses"]}
    courses = bm.guarantee_courses(dossier.worked.result, dossier.worked.terms)
    assert [course.key for course in courses] == ["guarantee.permeate_flow", "guarantee.salt_passage"]
    for course in courses:
        figure, limit = clauses[course.key]["figure"], clauses[course.key]["limit"]
        assert course.value[-1] == figure["value"]
        assert (course.low[-1], course.high[-1]) == (figure["low"], figure["high"])
        assert course.promised[-1] == limit["low" if course.is_minimum else "high"]
        assert len(course.time_us) == 26
        assert (np.diff(course.time_us) > 0).all()


def test_the_page_of_a_result_judges_too(dossier: bm.Dossier) -> None:
    html = bm.report(dossier.worked.result, terms=dossier.worked.terms).html
    text = _Page(html).text.replace("\u00a0", " ")
    assert "The warranty" in text
    for clause in dossier.judgements[0]["clauses"]:
        assert clause["sentence"] in text
    assert dossier.judgements[0]["cautions"][0] in text
    assert "The warranty" not in _Page(bm.report(dossier.worked.result).html).text


# --- The invented case -------------------------------------------------------------------------------------


def test_the_case_is_what_its_script_makes() -> None:
    assert make_case.linen_csv() == LOG
    assert make_case.site_toml() == CASE.site_path().read_text(encoding="utf-8")
    assert make_case.owner_toml() == CASE.terms_path().read_text(encoding="utf-8")
    assert make_case.supplier_toml() == CASE.other_terms_path().read_text(encoding="utf-8")


def test_the_case_is_judged_as_it_truly_is(dossier: bm.Dossier) -> None:
    clauses = {clause["key"]: clause for clause in dossier.judgements[0]["clauses"]}
    days = np.arange(make_case.DAYS - 28.0, make_case.DAYS)
    flow, passage = (float(np.median(of)) for of in make_case.at_stated_conditions(days))
    promised = clauses["guarantee.permeate_flow"]["limit"]["low"]
    assert flow < 0.96 * promised
    assert clauses["guarantee.permeate_flow"]["verdict"] == "broken"
    for name in ("figure", "other_figure"):
        assert clauses["guarantee.permeate_flow"][name]["value"] == pytest.approx(flow, rel=0.02)
        assert clauses["guarantee.salt_passage"][name]["value"] == pytest.approx(100 * passage, rel=0.04)
    assert 100 * passage < 0.8 * clauses["guarantee.salt_passage"]["limit"]["high"]
    # Its meter's calibration lapsed; the readings themselves would tell.
    assert clauses["guarantee.salt_passage"]["verdict"] == "cannot be judged"
    forced = made(override=True).judgements[0]["clauses"]
    assert [of["verdict"] for of in forced if of["key"] == "guarantee.salt_passage"] == ["kept"]
    (beyond,) = clauses["limit.recovery"]["excursions"]
    first, last = (row / make_case.READINGS_A_DAY for row in beyond["rows"])
    assert (first, last + 0.5) == make_case.HIGH_RECOVERY_DAYS
    assert clauses["limit.recovery"]["verdict"] == "broken"
    assert clauses["records.every.feed_sdi"]["verdict"] == "broken"
    assert clauses["records.calibration"]["verdict"] == "broken"
    kept = (
        "limit.feed_pressure",
        "limit.feed_free_chlorine",
        "records.every.permeate_flow",
        "warranty.notice",
    )
    assert {clauses[key]["verdict"] for key in kept} == {"kept"}


# --- The command --------------------------------------------------------------------------------------------


def run(*arguments: str | Path) -> int:
    return cli.main(["warranty", *map(str, arguments)])


GIVEN = (CASE.log_path(), "--site", CASE.site_path(), "--terms", CASE.terms_path())


def test_the_command_leaves_page_and_bundle(
    dossier: bm.Dossier, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*GIVEN, "--out", tmp_path / "case") == 0
    said = capsys.readouterr().out
    assert dossier.fingerprint in said
    assert "not a ruling" in said
    assert sorted(of.name for of in (tmp_path / "case").iterdir()) == ["dossier.html", "dossier.zip"]
    loaded = bm.Dossier.load(tmp_path / "case" / "dossier.zip")
    assert loaded.fingerprint == dossier.fingerprint
    assert (tmp_path / "case" / "dossier.html").read_text(encoding="utf-8") == dossier.page().html


def test_the_command_prints_json_that_stays(dossier: bm.Dossier, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*GIVEN, "--json", "--beside", CASE.other_terms_path()) == 0
    told = json.loads(capsys.readouterr().out)
    assert list(told) == [
        "site",
        "terms",
        "version",
        "override",
        "fingerprint",
        "judgements",
        "beside",
        "written",
    ]
    assert told["judgements"] == dossier.judgements
    assert list(told["beside"]) == ["names", "fingerprints", "sentence", "inputs", "clauses"]


def test_the_command_names_a_changed_cell(
    dossier: bm.Dossier, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "tampered.zip"
    rehashed(dossier, {LOG_PART: with_cell(900, 5, "9.5")}).save(path)
    assert run("--verify", path) == 1
    said = capsys.readouterr().out
    assert "row 900" in said
    assert "permeate_flow" in said
    assert run("--verify", path, "--fingerprint", dossier.fingerprint, "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert not told["holds"]
    assert any("permeate_flow" in of["sentence"] for of in told["differences"])


def test_the_command_runs_both_sides(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--verify", path, "--beside", CASE.other_terms_path()) == 0
    of_terms = capsys.readouterr().out
    assert "guarantee.permeate_flow: differ in verdict" in of_terms
    assert run("--verify", path, "--beside", path) == 0
    assert "differ in 0" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "a log is missing"),
        ((CASE.log_path(), "--site", CASE.site_path()), "--terms is missing"),
        ((*GIVEN, "--fingerprint", "3f"), "goes with --verify"),
        ((*GIVEN, "--verify", "x.zip"), "leave out a log"),
        (("--verify", "there-is-none.zip"), "can't be read"),
        (("--verify", CASE.log_path()), "is not a bundle"),
        ((*GIVEN, "--beside", "there-is-none.toml"), "can't be read"),
    ],
)
def test_the_command_refuses_in_one_message(
    arguments: tuple[str | Path, ...], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*arguments) == 1
    said = capsys.readouterr().err
    assert message in said
    assert said.count("brinemark: ") == 1
