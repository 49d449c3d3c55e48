//! What the feed itself tells of a cause: its silt density, its chlorine, its analysis.
//!
//! The marks and the odds are common practice, no source.

use super::causes::Cause;
use crate::log::Column;
use crate::normalise::Normalised;
use crate::stats::median;
use crate::water::scaling::{
    BICARBONATE_PER_ALKALINITY, Limits, SaltPassage, Scale, Water, saturation,
};
use crate::water::{Basis, WaterAnalysis};

/// Odds of a cause that the water makes likelier, and of one that it makes less likely.
const LIKELIER: f64 = 1.8;
const LESS_LIKELY: f64 = 0.3;

/// Silt density indices (ASTM D4189) below which little deposits, and above which much does.
const SILT: (f64, f64) = (3.0, 5.0);
/// Free chlorine, mg/L, below which polyamide isn't harmed, and above which it is.
const CHLORINE: (f64, f64) = (0.02, 0.1);
/// What stands beside the course of a trend and speaks for or against a cause.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Told {
    pub cause: Cause,
    /// Logarithm of the odds.
    pub log_odds: f64,
    pub words: String,
}

impl Told {
    pub fn new(cause: Cause, odds: f64, words: &str) -> Self {
        Self {
            cause,
            log_odds: odds.ln(),
            words: words.to_owned(),
        }
    }
}

/// What the feed of these rows tells; nothing where neither log nor site file has anything of it. `recovery`: permeate over feed.
pub(super) fn of_water(result: &Normalised, rows: &[usize], recovery: f64) -> Vec<Told> {
    let usual = |column| -> Option<f64> {
        let series = result.log.get(column)?;
        let mut values: Vec<f64> = rows
            .iter()
            .map(|row| series.values[*row])
            .filter(|value| value.is_finite())
            .collect();
        (!values.is_empty()).then(|| median(&mut values))
    };
    let mut told = of_silt(usual(Column::FeedSdi));
    told.extend(of_chlorine(usual(Column::FeedFreeChlorine)));
    if let Basis::Ions(table) = &result.site.salinity.basis
        && let Some(ph) = usual(Column::FeedPh)
        && let Some(temperature) = usual(Column::FeedTemperature)
    {
        told.extend(of_scales(&table.analysis(), ph, temperature, recovery));
    }
    told
}

fn of_silt(index: Option<f64>) -> Vec<Told> {
    match index {
        Some(index) if index < SILT.0 => vec![Told::new(
            Cause::Particulate,
            LESS_LIKELY,
            &format!("silt density index {index:.1}, low"),
        )],
        Some(index) if index > SILT.1 => vec![Told::new(
            Cause::Particulate,
            LIKELIER,
            &format!("silt density index {index:.1}, high"),
        )],
        _ => Vec::new(),
    }
}

fn of_chlorine(chlorine: Option<f64>) -> Vec<Told> {
    match chlorine {
        Some(chlorine) if chlorine < CHLORINE.0 => vec![Told::new(
            Cause::Oxidation,
            LESS_LIKELY,
            &format!("free chlorine usually {chlorine:.2} mg/L"),
        )],
        Some(chlorine) if chlorine > CHLORINE.1 => {
            let words = format!("free chlorine usually {chlorine:.2} mg/L");
            vec![
                Told::new(Cause::Oxidation, LIKELIER, &words),
                Told::new(Cause::Biofouling, LESS_LIKELY, &words),
            ]
        }
        _ => Vec::new(),
    }
}

/// Scales that an analysis without barium, strontium and fluoride tells of.
const TOLD_OF: [Scale; 3] = [
    Scale::CalciumCarbonate,
    Scale::CalciumSulfate,
    Scale::Silica,
];

/// Beyond what even a common antiscalant holds, or not even at saturation; nothing where the analysis can't tell.
fn of_scales(ions: &WaterAnalysis, ph: f64, temperature: f64, recovery: f64) -> Option<Told> {
    let named = [
        ("sodium", ions.sodium),
        ("potassium", ions.potassium),
        ("magnesium", ions.magnesium),
        ("calcium", ions.calcium),
        ("chloride", ions.chloride),
        ("sulfate", ions.sulfate),
        ("silica", ions.silica),
    ];
    let named = named
        .into_iter()
        .filter_map(|(name, content)| Some((name.to_owned(), content?)));
    let alkalinity = ions.bicarbonate? / BICARBONATE_PER_ALKALINITY;
    let water = Water::new(temperature, ph, alkalinity, f64::NAN, named).ok()?;
    let found = saturation(&water, recovery, &SaltPassage::all(0.0)).ok()?;
    let limits = Limits::common_antiscalant();
    let of = |scale: &Scale| {
        let at = found.scales.iter().find(|found| found.scale == *scale)?;
        (!at.activity_index.is_nan()).then_some(at.activity_index)
    };
    if let Some((scale, index)) = TOLD_OF
        .iter()
        .filter_map(|scale| Some((scale, of(scale)?)))
        .find(|(scale, index)| *index > limits.of(**scale).index)
    {
        let words = format!(
            "{} at {:.1} times saturation in the concentrate, by the analysis",
            scale.name(),
            10f64.powf(index)
        );
        return Some(Told::new(Cause::Scaling, LIKELIER, &words));
    }
    TOLD_OF
        .iter()
        .all(|scale| of(scale).is_some_and(|index| index < 0.0))
        .then(|| {
            let words = "calcium carbonate, calcium sulfate and silica below saturation in the concentrate, by the analysis";
            Told::new(Cause::Scaling, LESS_LIKELY, words)
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sign(told: &[Told], cause: Cause) -> f64 {
        told.iter()
            .filter(|told| told.cause == cause)
            .map(|told| told.log_odds.signum())
            .sum()
    }

    fn soft() -> WaterAnalysis {
        WaterAnalysis {
            sodium: Some(60.0),
            potassium: Some(2.0),
            magnesium: Some(2.0),
            calcium: Some(8.0),
            chloride: Some(60.0),
            sulfate: Some(20.0),
            bicarbonate: Some(60.0),
            silica: Some(10.0),
        }
    }

    #[test]
    fn the_water_speaks_for_and_against() {
        assert_eq!(sign(&of_silt(Some(1.2)), Cause::Particulate), -1.0);
        assert_eq!(sign(&of_silt(Some(6.0)), Cause::Particulate), 1.0);
        assert_eq!(sign(&of_chlorine(Some(0.0)), Cause::Oxidation), -1.0);
        assert_eq!(sign(&of_chlorine(Some(0.3)), Cause::Oxidation), 1.0);
        assert_eq!(sign(&of_chlorine(Some(0.3)), Cause::Biofouling), -1.0);
        let scaling = |water, recovery| {
            let told = of_scales(&water, 7.6, 15.0, recovery);
            sign(told.as_slice(), Cause::Scaling)
        };
        assert_eq!(scaling(soft(), 0.5), -1.0);
        assert_eq!(scaling(soft(), 0.96), 1.0);
    }

    #[test]
    fn what_is_not_known_or_lies_between_says_nothing() {
        assert_eq!(of_silt(None), []);
        assert_eq!(of_silt(Some(4.0)), []);
        assert_eq!(of_chlorine(None), []);
        assert_eq!(of_scales(&soft(), 7.6, 15.0, 0.86), None);
        assert_eq!(of_scales(&soft(), f64::NAN, 15.0, 0.5), None);
        let without = WaterAnalysis {
            bicarbonate: None,
            ..soft()
        };
        assert_eq!(of_scales(&without, 7.6, 15.0, 0.5), None);
    }
}
