//! A judgement as JSON: missing figures are null, times ISO 8601 in UTC, rows counted from 0.

use serde_json::{Value, json};

use super::{CAUTIONS, Clause, Judgement, METHOD, words};
use crate::assess::Estimate;

fn number(value: f64) -> Value {
    serde_json::Number::from_f64(value).map_or(Value::Null, Value::Number)
}

fn estimate(found: Option<&Estimate>) -> Value {
    found.map_or(Value::Null, |found| {
        json!({
            "value": number(found.value),
            "low": number(found.low),
            "high": number(found.high),
            "level": number(found.level),
            "unit": found.unit,
            "n": found.n,
            "method": found.method,
        })
    })
}

impl Clause {
    /// As JSON.
    pub fn to_json(&self) -> Value {
        json!({
            "key": self.key,
            "kind": self.kind.name(),
            "words": self.words,
            "verdict": self.verdict.words(),
            "sentence": self.sentence,
            "figure": estimate(self.figure.as_ref()),
            "limit": self.limit.map(|limit| json!({
                "low": limit.low.map(number),
                "high": limit.high.map(number),
                "unit": limit.unit.word,
            })),
            "other_figure": estimate(self.other_figure.as_ref()),
            "difference": self.difference,
            "risk": self.risk.map(|risk| json!({
                "called_broken_but_kept": number(risk.called_broken_but_kept),
                "called_kept_but_broken": number(risk.called_kept_but_broken),
            })),
            "excursions": self.excursions.iter().map(|found| json!({
                "start": words::time(found.start_us),
                "end": words::time(found.end_us),
                "hours": number(found.hours()),
                "worst": number(found.worst),
                "rows": [found.rows.0, found.rows.1],
                "readings": found.readings,
            })).collect::<Vec<_>>(),
            "gaps": self.gaps.iter().map(|gap| json!({
                "start": words::time(gap.start_us),
                "end": words::time(gap.end_us),
                "hours": number(gap.hours()),
            })).collect::<Vec<_>>(),
            "instruments": self.instruments.iter().map(|carrying| json!({
                "column": carrying.column.name(),
                "state": carrying.state.words(),
                "last": carrying.last.map(|date| date.to_string()),
            })).collect::<Vec<_>>(),
            "rows": self.rows,
        })
    }
}

impl Judgement {
    /// As JSON.
    pub fn to_json(&self) -> Value {
        json!({
            "group": { "train": self.group.train, "stage": self.group.stage },
            "terms": self.terms,
            "level": number(self.level),
            "risk": number(self.risk),
            "period": {
                "start": words::time(self.start_us),
                "end": words::time(self.end_us),
                "judged_until": words::time(self.judged_until_us),
            },
            "override": self.override_refusals,
            "method": METHOD,
            "version": crate::VERSION,
            "clauses": self.clauses.iter().map(Clause::to_json).collect::<Vec<_>>(),
            "warnings": self.warnings,
            "cautions": CAUTIONS,
        })
    }
}
