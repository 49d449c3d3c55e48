//! What the feed itself tells of a cause: its silt density, its chlorine, its analysis.
//!
//! The marks and the odds are common practice, no source; the solubility of silica is from memory (ASTM D4993).

use super::causes::Cause;
use crate::log::Column;
use crate::normalise::Normalised;
use crate::stats::median;
use crate::water::Basis;

/// Odds of a cause that the water makes likelier, and of one that it makes less likely.
const LIKELIER: f64 = 1.8;
const LESS_LIKELY: f64 = 0.3;

/// Silt density indices (ASTM D4189) below which little deposits, and above which much does.
const SILT: (f64, f64) = (3.0, 5.0);
/// Free chlorine, mg/L, below which polyamide isn't harmed, and above which it is.
const CHLORINE: (f64, f64) = (0.02, 0.1);
/// Calcium and silica in the concentrate, mg/L: with less of both there is little to come out; with more of one there is.
const CALCIUM: (f64, f64) = (60.0, 400.0);
const SILICA: (f64, f64) = (90.0, 120.0);

/// What the water says of one cause.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Told {
    pub cause: Cause,
    /// Logarithm of the odds.
    pub log_odds: f64,
    pub words: String,
}

impl Told {
    fn new(cause: Cause, odds: f64, words: &str) -> Self {
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
    if let Basis::Ions(table) = &result.site.salinity.basis {
        let water = table.analysis();
        let times = 1.0 / (1.0 - recovery);
        told.extend(of_hardness(
            water.calcium.map(|it| it * times),
            water.silica.map(|it| it * times),
        ));
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

fn of_hardness(calcium: Option<f64>, silica: Option<f64>) -> Vec<Told> {
    let words = |name: &str, figure: f64| {
        format!("{name} in the concentrate about {figure:.0} mg/L by the analysis")
    };
    let high = [
        ("calcium", calcium, CALCIUM.1),
        ("silica", silica, SILICA.1),
    ];
    for (name, figure, mark) in high {
        if let Some(figure) = figure.filter(|figure| *figure > mark) {
            return vec![Told::new(Cause::Scaling, LIKELIER, &words(name, figure))];
        }
    }
    match (calcium, silica) {
        (Some(calcium), Some(silica)) if calcium < CALCIUM.0 && silica < SILICA.0 => {
            vec![Told::new(
                Cause::Scaling,
                LESS_LIKELY,
                &format!("{}, silica {silica:.0} mg/L", words("calcium", calcium)),
            )]
        }
        _ => Vec::new(),
    }
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

    #[test]
    fn the_water_speaks_for_and_against() {
        assert_eq!(sign(&of_silt(Some(1.2)), Cause::Particulate), -1.0);
        assert_eq!(sign(&of_silt(Some(6.0)), Cause::Particulate), 1.0);
        assert_eq!(sign(&of_chlorine(Some(0.0)), Cause::Oxidation), -1.0);
        assert_eq!(sign(&of_chlorine(Some(0.3)), Cause::Oxidation), 1.0);
        assert_eq!(sign(&of_chlorine(Some(0.3)), Cause::Biofouling), -1.0);
        assert_eq!(
            sign(&of_hardness(Some(20.0), Some(30.0)), Cause::Scaling),
            -1.0
        );
        assert_eq!(
            sign(&of_hardness(Some(20.0), Some(150.0)), Cause::Scaling),
            1.0
        );
        assert_eq!(sign(&of_hardness(Some(500.0), None), Cause::Scaling), 1.0);
    }

    #[test]
    fn what_is_not_known_or_lies_between_says_nothing() {
        assert_eq!(of_silt(None), []);
        assert_eq!(of_silt(Some(4.0)), []);
        assert_eq!(of_chlorine(None), []);
        assert_eq!(of_hardness(Some(20.0), None), []);
        assert_eq!(of_hardness(None, None), []);
    }
}
