"""Terms and judgements in Python.

That verdicts are right is for the core's own tests and `make study-evidence`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import brinemark as bm

# The demo's own first weeks, about.
TERMS = """
[warranty]
name = "Demo membranes"
period = "3 years"
start_up = "2024-05-02T00:00-07:00"
replacements = "refused"
[conditions]
feed_temperature = "77 degF"
feed_pressure = "138 psi"
differential_pressure = "14.5 psi"
permeate_pressure = "5 psi"
feed_tds = "1180 mg/L"
recovery = "50 %"
[guarantee]
method = "standard-practice"
over = "28 d"
minimum_days = 10
[guarantee.temperature]
law = "standard-practice"
[guarantee.permeate_flow]
minimum = "40 gpm"
yearly_change = "-7 %"
change = "compounding"
[guarantee.salt_passage]
maximum = "3 %"
yearly_change = "10 %"
change = "of-first"
[limit.feed_pressure]
high = "170 psi"
[limit.feed_sdi]
high = 5
[records]
complete = "90 %"
[records.every]
permeate_flow = "12 h"
"""


@pytest.fixture(scope="module")
def judgement(demo_result: bm.Result) -> bm.Judgement:
    return bm.warranty(demo_result, bm.Terms.parse(TERMS))[0]


def test_terms_are_read(tmp_path: Path) -> None:
    terms = bm.Terms.parse(bm.Terms.template())
    assert (terms.name, terms.train, terms.notes) == ("Example warranty", None, None)
    assert (terms.start[:10], terms.end[:10]) == ("2024-03-01", "2027-03-01")
    assert terms.text == bm.Terms.template()
    assert json.loads(terms.settings)["guarantee"]["method"] == "standard-practice"
    path = tmp_path / "terms.toml"
    path.write_text(TERMS)
    assert bm.Terms.load(path).name == "Demo membranes"
    assert "2024-05-02 to 2027-05-02" in repr(bm.Terms.load(path))
    with pytest.raises(bm.TermsError, match=r"\[limit.feed_pressure\] high, '170'") as refusal:
        bm.Terms.parse(TERMS.replace('"170 psi"', '"170"').replace("-7 %", "7 %"))
    assert len(refusal.value.faults) == 2
    with pytest.raises(bm.FileError):
        bm.Terms.load(tmp_path / "none.toml")


def test_each_clause_is_judged(judgement: bm.Judgement) -> None:
    verdicts = {clause.key: clause.verdict for clause in judgement.clauses}
    assert verdicts == {
        "guarantee.permeate_flow": "kept",
        "guarantee.salt_passage": "kept",
        "limit.feed_pressure": "kept",
        "limit.feed_sdi": "cannot be judged",
        "records.every.permeate_flow": "kept",
    }
    flow = judgement.clause("guarantee.permeate_flow")
    assert flow.figure is not None
    assert flow.other_figure is not None
    assert flow.figure.unit == flow.other_figure.unit == "gpm"
    assert flow.figure.low < flow.figure.value < flow.figure.high
    assert flow.risk is not None
    assert flow.risk[1] < 0.05
    assert flow.difference is not None
    assert "temperature laws" in flow.difference
    assert flow.kind == "guarantee"
    assert flow.rows > 28
    assert repr(flow) == "Clause(guarantee.permeate_flow: kept)"
    with pytest.raises(KeyError):
        judgement.clause("guarantee.nothing")
    with pytest.raises(AttributeError):
        judgement.level = 0.5  # type: ignore[misc]


def test_it_is_one_readable_line_and_plain_values(judgement: bm.Judgement) -> None:
    said = repr(judgement)
    assert "\n" not in said
    assert "4 kept; 0 broken; 1 cannot be judged: limit.feed_sdi" in said
    assert any("not a ruling" in caution for caution in judgement.cautions)
    found: dict[str, Any] = judgement.to_dict()
    text = json.dumps(found, allow_nan=False)
    assert "NaN" not in text
    assert found["group"] == {"train": None, "stage": None}
    assert found["override"] is judgement.overridden is False
    assert (found["level"], found["risk"]) == (0.95, 0.05)
    assert found["version"] == bm.__version__
    assert found["period"]["judged_until"].startswith("2026-05-02")
    clause = found["clauses"][0]
    assert set(clause) == {
        *("key", "kind", "words", "verdict", "sentence", "figure", "limit", "other_figure", "difference"),
        *("risk", "excursions", "gaps", "instruments", "rows"),
    }
    assert clause == judgement.clause(clause["key"]).to_dict()
    assert set(clause["figure"]) == {"value", "low", "high", "level", "unit", "n", "method"}
    assert {each["column"] for each in clause["instruments"]} >= {"permeate_flow", "feed_pressure"}


def test_settings_move_what_they_should(demo_result: bm.Result) -> None:
    near = bm.Terms.parse(TERMS.replace('"40 gpm"', '"53 gpm"'))
    flow = bm.warranty(demo_result, near)[0].clause("guarantee.permeate_flow")
    bold = bm.warranty(demo_result, near, risk=0.4)[0].clause("guarantee.permeate_flow")
    assert flow.risk == bold.risk
    wide = bm.warranty(demo_result, near, level=0.99)[0].clause("guarantee.permeate_flow").figure
    assert wide is not None
    assert flow.figure is not None
    assert wide.high - wide.low > flow.figure.high - flow.figure.low
    for level, risk in ((1.0, 0.05), (0.95, 0.0), (0.95, float("nan"))):
        with pytest.raises(bm.RangeError):
            bm.warranty(demo_result, near, level=level, risk=risk)
    all_the_same = bm.warranty(demo_result, near, override=True)[0]
    assert all_the_same.overridden
    assert "OVERRIDDEN" in repr(all_the_same)


def test_silt_density_and_probability() -> None:
    found = bm.silt_density_index([30.0, 26.0, np.nan], [60.0, 45.0, 50.0])
    np.testing.assert_allclose(found, [3.3333, 2.8148, np.nan], atol=1e-4)
    with pytest.raises(bm.RangeError, match="take a shorter time"):
        bm.silt_density_index(20.0, 100.0)
    assert bm.silt_density_index(20.0, 60.0, minutes=5.0) == pytest.approx(13.3333, abs=1e-4)
    with pytest.raises(bm.SeriesError, match="one of 5, 10 and 15 min"):
        bm.silt_density_index(20.0, 60.0, minutes=12.0)
    with pytest.raises(bm.RangeError):
        bm.conformance_probability(1.0, -1.0, high=2.0)
    assert bm.conformance_probability(1.0, 0.0, high=2.0) == 1.0


def test_what_the_feed_brings_is_logged_and_sets_no_row_aside() -> None:
    log = bm.read_log(bm.demo.log_path())
    table = log.to_polars().head(400)
    import polars as pl

    more = table.with_columns(
        pl.lit(4.0).alias("feed_sdi"),
        pl.lit(0.3).alias("feed_turbidity [NTU]"),
        pl.lit(0.0).alias("feed_free_chlorine [mg/L]"),
    )
    site = bm.Site.load(bm.demo.site_path())
    plain = bm.normalise(bm.read_log(table), site)
    watched = bm.normalise(bm.read_log(more), site)
    # One figure for weeks is no stuck instrument there.
    assert watched.reason_counts == plain.reason_counts
    limits = """
[warranty]
name = "Feed"
period = "1 year"
start_up = "2024-05-02T00:00-07:00"
replacements = "refused"
[limit.feed_sdi]
high = 5
[limit.feed_turbidity]
high = "1 NTU"
"""
    found = bm.warranty(watched, bm.Terms.parse(limits))[0]
    # Nobody told how far those instruments may be off.
    assert {clause.verdict for clause in found.clauses} == {"cannot be judged"}
    assert all("may be off" in clause.sentence for clause in found.clauses)
    told = site.text.replace(
        "[instruments]\n",
        '[instruments]\nfeed_sdi = { accuracy = "0.3" }\nfeed_turbidity = { accuracy = "0.05 NTU" }\n',
    )
    known = bm.normalise(bm.read_log(more), bm.Site.parse(told))
    found = bm.warranty(known, bm.Terms.parse(limits))[0]
    assert {clause.verdict for clause in found.clauses} == {"kept"}
