//! A start-up record as JSON: figures in the log's own units, and the baseline that every later log is held against.

use serde_json::{Value, json};

use super::{Beside, METHOD, OfGroup, StartUp, unit_shown};
use crate::assess::Estimate;
use crate::log::Column;
use crate::log::time::{show, zone_or_utc};
use crate::normalise::inputs::SaltFrom;
use crate::units::Unit;

/// What names such a file.
pub const RECORD: &str = "brinemark start-up record";
/// Its form; another one is refused.
pub const FORM: u32 = 1;

impl StartUp {
    /// All of it. `input_hash` is the fingerprint of the log.
    pub fn told(&self, input_hash: &str) -> Value {
        json!({
            "record": RECORD,
            "form": FORM,
            "version": crate::VERSION,
            "input_hash": input_hash,
            "site": self.result.site.name,
            "site_settings": serde_json::to_value(&self.result.site).unwrap_or_default(),
            "hours": self.settings.hours,
            "level": self.settings.level,
            "method": METHOD,
            "groups": self.groups.iter().map(|group| self.group(group)).collect::<Vec<_>>(),
            "baseline": self.baseline,
        })
    }

    fn group(&self, found: &OfGroup) -> Value {
        let result = &self.result;
        let zone = zone_or_utc(&result.log.table.zone);
        let shown = |column: Column, canonical: f64| {
            let unit = unit_shown(result, column);
            json!({
                "column": column.name(),
                "value": known(unit.from_canonical(canonical)),
                "unit": unit.word,
            })
        };
        let reference = &found.reference;
        let (start, end) = reference.span_us.unwrap_or_default();
        let settled = &found.settled;
        json!({
            "train": found.group.train,
            "stage": found.group.stage,
            "from": show(start, &zone),
            "to": show(end, &zone),
            "settled_after_h": settled.after_h,
            "readings_before": settled.readings_before,
            "readings": reference.rows,
            "flow_rose": settled.flow_rose,
            "salt_fell": settled.salt_fell,
            "verdict": found.verdict.words(),
            "record": [
                shown(Column::FeedTemperature, reference.feed_temperature),
                shown(Column::FeedPressure, reference.feed_pressure),
                shown(Column::DifferentialPressure, reference.differential_pressure),
                shown(Column::PermeatePressure, reference.permeate_pressure),
                shown(Column::PermeateFlow, reference.permeate_flow),
                shown(Column::FeedFlow, reference.feed_flow),
                shown(Column::ConcentrateFlow, reference.feed_flow - reference.permeate_flow),
                shown(Column::RecycleFlow, reference.recycle_flow),
                shown(Column::FeedTds, reference.feed_tds),
                shown(Column::PermeateTds, reference.permeate_tds),
            ],
            "recovery": known(reference.permeate_flow / reference.feed_flow),
            "figures": found.figures.iter().map(|(name, figure)| {
                json!({ "name": name, "figure": estimate(figure, |value| value, figure.unit) })
            }).collect::<Vec<_>>(),
            "checked": found.checked.iter().map(|checked| {
                let (column, unit, figure) = self.as_read(checked.column);
                json!({
                    "column": column.name(),
                    "read": estimate(&checked.read, &figure, unit.word),
                    "expected": estimate(&checked.expected.estimate, &figure, unit.word),
                    "rests_on": checked.expected.shares.iter().take(3).map(|(doubt, share)| {
                        json!({ "source": doubt.words(), "share": known(*share) })
                    }).collect::<Vec<_>>(),
                    "beside": match checked.beside {
                        Beside::Below => "below",
                        Beside::AsExpected => "as expected",
                        Beside::Above => "above",
                    },
                })
            }).collect::<Vec<_>>(),
            "missing": found.missing,
            "taken_as_exact": found.taken_as_exact,
            "causes": found.causes.iter().map(|likely| json!({
                "name": likely.cause.name,
                "what": likely.cause.what,
                "test": likely.cause.test,
                "probability": likely.probability,
            })).collect::<Vec<_>>(),
        })
    }

    /// A checked column as it is read: salt by its conductivity where that is how it is told.
    fn as_read(&self, column: Column) -> (Column, &'static Unit, Box<dyn Fn(f64) -> f64>) {
        if column == Column::PermeateTds
            && let (conductivity, Some(rule)) = SaltFrom::of_stream(column, &self.result.site)
        {
            let unit = unit_shown(&self.result, conductivity);
            let figure = move |tds: f64| unit.from_canonical(rule.measured_and_slope(tds).0);
            return (conductivity, unit, Box::new(figure));
        }
        let unit = unit_shown(&self.result, column);
        (
            column,
            unit,
            Box::new(|canonical| unit.from_canonical(canonical)),
        )
    }
}

fn estimate(found: &Estimate, shown: impl Fn(f64) -> f64, unit: &str) -> Value {
    json!({
        "value": known(shown(found.value)),
        "low": known(shown(found.low)),
        "high": known(shown(found.high)),
        "level": found.level,
        "unit": unit,
        "n": found.n,
    })
}

/// None where a figure is missing, which JSON does not know.
fn known(figure: f64) -> Option<f64> {
    figure.is_finite().then_some(figure)
}
