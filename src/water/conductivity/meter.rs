//! A conductivity or TDS meter against its calibration solution: how far it is off, and whether that is within what it
//! may be off by.

use statrs::distribution::{ContinuousCDF, Normal};

use super::potassium_chloride_conductivity;
use super::{Compensation, RANGE_US_CM};
use crate::error::{Error, Fault, within};
use crate::site::Accuracy;
use crate::units::{Quantity, Unit, split_quantity};

/// What the meter was dipped into.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Solution {
    /// A primary standard of potassium chloride.
    PotassiumChloride {
        /// mol a kg of water: 0.01, 0.1 or 1.
        molality: f64,
    },
    /// A bottle whose label states its value.
    Stated {
        /// The value, canonical.
        value: f64,
        /// Conductivity, or mg/L (ppm) by the scale of the label.
        quantity: Quantity,
        /// The temperature at which it holds, degC.
        temperature_degc: f64,
    },
}

impl Solution {
    /// "KCl 0.01 mol/kg", "1413 uS/cm", "1000 ppm", or with the temperature at which the label says it: "1278 uS/cm at
    /// 20 degC" (else 25 degC).
    ///
    /// # Errors
    /// A [`Fault`] for anything else.
    pub fn parse(text: &str) -> Result<Self, Fault> {
        let refuse = || {
            let remedy = "\"KCl 0.01 mol/kg\" (or 0.1, 1), or the label's value: \"1413 uS/cm\", \"1000 ppm\", \"1278 uS/cm at 20 degC\"";
            Fault::new("not a calibration solution", remedy)
                .at_column("solution")
                .with_value(text)
        };
        let plain = text.trim();
        if let Some(strength) = plain
            .strip_prefix("KCl")
            .or_else(|| plain.strip_prefix("potassium chloride"))
        {
            let figure = strength.trim().strip_suffix("mol/kg").ok_or_else(refuse)?;
            let molality = figure.trim().parse().map_err(|_| refuse())?;
            return Ok(Self::PotassiumChloride { molality });
        }
        let (value, temperature) = plain.split_once(" at ").unwrap_or((plain, "25 degC"));
        let of = |text: &str, quantity| {
            split_quantity(text, quantity).map(|(figure, unit)| unit.to_canonical(figure))
        };
        let temperature_degc = of(temperature, Quantity::Temperature).map_err(|_| refuse())?;
        let known = [Quantity::Conductivity, Quantity::Concentration]
            .into_iter()
            .find_map(|quantity| of(value, quantity).ok().map(|value| (value, quantity)));
        let (value, quantity) = known.ok_or_else(refuse)?;
        if !(value > 0.0) {
            return Err(refuse());
        }
        Ok(Self::Stated {
            value,
            quantity,
            temperature_degc,
        })
    }
}

/// How a meter is checked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeterSettings {
    /// Whether it shows the value at 25 degC, whatever the temperature.
    pub compensated: bool,
    /// α of its compensation, a degC, where its manual or menu tells; only of one that compensates.
    pub alpha_per_degc: Option<f64>,
    /// How far it may be off, by its data sheet.
    pub accuracy: Option<Accuracy>,
    /// How far the solution may be off, by its label.
    pub solution_accuracy: Option<Accuracy>,
    /// How far it was off at the check before, a share of the right reading.
    pub previous: Option<f64>,
    /// How sure a verdict shall be, above 0.5.
    pub level: f64,
}

impl Default for MeterSettings {
    fn default() -> Self {
        Self {
            compensated: true,
            alpha_per_degc: None,
            accuracy: None,
            solution_accuracy: None,
            previous: None,
            level: 0.95,
        }
    }
}

/// Whether a meter is within its accuracy.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MeterVerdict {
    /// At least as likely as the level, it is.
    Within,
    /// At least as likely as the level, it is not.
    Outside,
    /// Neither: the solution is not known well enough to tell.
    Untold,
    /// No accuracy was given.
    NoAccuracy,
}

impl MeterVerdict {
    /// Its words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Outside => "outside",
            Self::Untold => "cannot be told",
            Self::NoAccuracy => "no accuracy given",
        }
    }
}

/// A meter, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterCheck {
    /// What it showed, canonical.
    pub reading: f64,
    /// What it should have shown, canonical.
    pub expected: f64,
    /// The unit in which it showed that.
    pub unit: &'static Unit,
    /// How far it is off, a share of the right reading.
    pub off: f64,
    /// Standard uncertainty of that, from solution and temperature.
    pub off_u: f64,
    /// How far it may be off, a share of the right reading.
    pub allowed: Option<f64>,
    /// How likely it is within that.
    pub probability: Option<f64>,
    /// The verdict at the level.
    pub verdict: MeterVerdict,
    /// Reading over right reading: what later readings are off by, where it is the cell that changed.
    pub factor: f64,
    /// How much that has changed since the check before.
    pub drift: Option<f64>,
    /// What the uncertainty is made of, the greatest first, each a share of the right reading.
    pub sources: Vec<(String, f64)>,
    /// What was taken for granted.
    pub notes: Vec<String>,
    /// What to do.
    pub advice: Vec<String>,
    /// The result in a sentence.
    pub sentence: String,
}

/// α of salt solutions, and of the meters that correct for it, near 25 degC: 0.019 to 0.021 (from memory).
const ALPHA: f64 = 0.020;
const ALPHA_LIMIT: f64 = 0.001;
/// The standards' own (as in their table), and the carbon dioxide of the air that the table takes off, µS/cm.
const STANDARD_U: f64 = 0.0004;
const CARBON_DIOXIDE_US_CM: f64 = 1.10;

/// Checks a meter's reading of a solution.
///
/// The reading is held against κ(t) of the solution, divided by 1 + α (t − 25) where the meter compensates, α = 0.020 ± 0.001
/// if not given. A label's value is brought from its own temperature to the solution's by the same α. Potassium chloride is
/// taken from the standards' table at the solution's temperature, its u 0.04 %, and up to 1.10 µS/cm of the air's carbon dioxide
/// beside it. Limits ±a count as evenly likely within: u = a/√3. How likely the meter is within its accuracy A is
/// Φ((A − off)/u) − Φ((−A − off)/u).
///
/// Source: solutions, as [`potassium_chloride_conductivity`]; α, from memory; JCGM 100:2008, 4.3.7; conformity,
/// JCGM 106:2012 (from memory).
///
/// # Errors
/// [`Error::Site`] for a solution that measures something else than the meter shows, or settings that can't be;
/// [`Error::Range`] for a reading or a temperature outside 0 to 50 degC or, with potassium chloride, that of the standard.
///
/// ```
/// use brinemark::units::Unit;
/// use brinemark::water::conductivity::meter::{MeterSettings, MeterVerdict, Solution, check_meter};
/// use brinemark::{site::Accuracy, units::Quantity};
/// let settings = MeterSettings {
///     accuracy: Some(Accuracy::parse("2 % of reading", Quantity::Conductivity).expect("an accuracy")),
///     ..MeterSettings::default()
/// };
/// let solution = Solution::parse("KCl 0.01 mol/kg").expect("a solution");
/// let found = check_meter(1465.0, Unit::parse("uS/cm")?, solution, 25.0, &settings)?;
/// assert!((found.off - 0.0403).abs() < 1e-4);
/// assert_eq!(found.verdict, MeterVerdict::Outside);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn check_meter(
    reading: f64,
    unit: &'static Unit,
    solution: Solution,
    temperature_degc: f64,
    settings: &MeterSettings,
) -> Result<MeterCheck, Error> {
    let shown = unit.to_canonical(reading);
    refuse_settings(shown, unit, solution, temperature_degc, settings)?;
    let mut notes = Vec::new();
    let mut sources = Vec::new();
    let root3 = 3.0_f64.sqrt();
    // The value of the solution, and at which temperature it holds.
    let (value, holds_at) = match solution {
        Solution::PotassiumChloride { molality } => {
            let value = potassium_chloride_conductivity(molality, temperature_degc)?;
            sources.push((
                "carbon dioxide of the air".to_owned(),
                CARBON_DIOXIDE_US_CM / root3 / value,
            ));
            if settings.solution_accuracy.is_none() {
                sources.push(("the standard".to_owned(), STANDARD_U));
                notes.push("The solution is taken to be made and kept as a primary standard; one from a bottle may be off by what its label says (solution accuracy).".to_owned());
            }
            (value, temperature_degc)
        }
        Solution::Stated {
            value,
            temperature_degc: holds_at,
            ..
        } => {
            if settings.solution_accuracy.is_none() {
                notes.push("How far the label's value may be off was not given and is not in the uncertainty.".to_owned());
            }
            (value, holds_at)
        }
    };
    if let Some(accuracy) = settings.solution_accuracy {
        sources.push((
            "the solution".to_owned(),
            accuracy.at(value) / root3 / value,
        ));
    }
    if unit.quantity == Quantity::Concentration {
        notes.push("A meter's ppm rest on its own factor from conductivity: the label must state them by the same scale.".to_owned());
    }
    // How κ at one temperature stands to κ at 25 degC, and how that leans on α.
    let warmer = |alpha: f64, t: f64| 1.0 + alpha * (t - 25.0);
    let leans = |alpha: f64, t: f64| (t - 25.0) / warmer(alpha, t);
    let mut expected = value * warmer(ALPHA, temperature_degc) / warmer(ALPHA, holds_at);
    let solution_leans = leans(ALPHA, temperature_degc) - leans(ALPHA, holds_at);
    sources.push((
        "the solution's change with temperature".to_owned(),
        solution_leans.abs() * ALPHA_LIMIT / root3,
    ));
    if settings.compensated {
        let alpha = settings.alpha_per_degc.unwrap_or(ALPHA);
        expected /= warmer(alpha, temperature_degc);
        if settings.alpha_per_degc.is_none() {
            let u = leans(alpha, temperature_degc).abs() * ALPHA_LIMIT / root3;
            sources.push(("the meter's temperature compensation".to_owned(), u));
        }
    }
    sources.retain(|(_, u)| *u > 0.0);
    sources.sort_by(|a, b| b.1.total_cmp(&a.1));
    let factor = shown / expected;
    let off = factor - 1.0;
    let off_u = factor * sources.iter().map(|(_, u)| u * u).sum::<f64>().sqrt();
    let allowed = settings
        .accuracy
        .map(|accuracy| accuracy.at(expected) / expected);
    let probability = allowed.map(|allowed| probability_within(off, off_u, allowed));
    let verdict = match probability {
        None => MeterVerdict::NoAccuracy,
        Some(probability) if probability >= settings.level => MeterVerdict::Within,
        Some(probability) if 1.0 - probability >= settings.level => MeterVerdict::Outside,
        Some(_) => MeterVerdict::Untold,
    };
    let drift = settings.previous.map(|previous| off - previous);
    let mut found = MeterCheck {
        reading: shown,
        expected,
        unit,
        off,
        off_u,
        allowed,
        probability,
        verdict,
        factor,
        drift,
        sources,
        notes,
        advice: Vec::new(),
        sentence: String::new(),
    };
    found.advice = advice(&found);
    found.sentence = sentence(&found, settings.level);
    Ok(found)
}

fn refuse_settings(
    shown: f64,
    unit: &Unit,
    solution: Solution,
    temperature_degc: f64,
    settings: &MeterSettings,
) -> Result<(), Error> {
    let refuse = |column: &str, value: String, problem: &str, remedy: &str| {
        Err(Error::Site(
            Fault::new(problem, remedy)
                .at_column(column)
                .with_value(value)
                .into(),
        ))
    };
    if shown.is_nan() || temperature_degc.is_nan() {
        let column = if shown.is_nan() {
            "reading"
        } else {
            "temperature"
        };
        return refuse(
            column,
            "NaN".into(),
            "missing",
            "a check needs a reading and the solution's temperature",
        );
    }
    within("reading", shown, RANGE_US_CM, " uS/cm or mg/L")?;
    let range = Compensation::Linear {
        alpha_per_degc: ALPHA,
    }
    .temperature_range_degc();
    within("temperature", temperature_degc, range, " degC")?;
    let measures = match solution {
        Solution::PotassiumChloride { .. } => Quantity::Conductivity,
        Solution::Stated {
            quantity,
            temperature_degc,
            ..
        } => {
            within("the label's temperature", temperature_degc, range, " degC")?;
            quantity
        }
    };
    if unit.quantity != measures {
        let problem = format!(
            "a meter that shows {}, in a solution that states {}",
            unit.quantity.name(),
            measures.name()
        );
        return refuse(
            "unit",
            unit.word.into(),
            &problem,
            "switch the meter, or take the other value of the label: the factor between the two is the meter's own",
        );
    }
    if let Some(alpha) = settings.alpha_per_degc {
        let (low, high) = Compensation::ALPHA_RANGE_PER_DEGC;
        if !settings.compensated {
            return refuse(
                "alpha_per_degc",
                alpha.to_string(),
                "belongs to a meter that compensates",
                "leave it out",
            );
        }
        if !(low..=high).contains(&alpha) {
            return refuse(
                "alpha_per_degc",
                alpha.to_string(),
                "outside the allowed range",
                &format!("{low} to {high} per degC"),
            );
        }
    }
    if let Some(previous) = settings
        .previous
        .filter(|previous| !(-1.0..=10.0).contains(previous))
    {
        return refuse(
            "previous",
            previous.to_string(),
            "not what a meter is off by",
            "a share from -1 to 10: 0.015 for 1.5 % too high",
        );
    }
    if !(settings.level > 0.5 && settings.level < 1.0) {
        return refuse(
            "level",
            settings.level.to_string(),
            "outside the allowed range",
            "above 0.5 and below 1",
        );
    }
    Ok(())
}

fn probability_within(off: f64, u: f64, allowed: f64) -> f64 {
    match Normal::new(off, u) {
        Ok(normal) => normal.cdf(allowed) - normal.cdf(-allowed),
        // Where nothing is uncertain it is one or the other.
        Err(_) => f64::from(u8::from(off.abs() <= allowed)),
    }
}

fn percent(share: f64) -> String {
    format!("{:+.2} %", 100.0 * share).replace('-', "−")
}

fn sentence(found: &MeterCheck, level: f64) -> String {
    let unit = found.unit;
    let shown = |canonical: f64| digits(unit.from_canonical(canonical));
    let verdict = match (found.verdict, found.allowed, found.probability) {
        (MeterVerdict::NoAccuracy, ..) | (_, None, _) | (.., None) => {
            "no accuracy was given to hold that against".to_owned()
        }
        (verdict, Some(allowed), Some(probability)) => {
            let words = match verdict {
                MeterVerdict::Within => "within",
                MeterVerdict::Outside => "outside",
                _ => "not told to be within or outside",
            };
            format!(
                "{words} its accuracy of ±{:.2} %, at a level of {:.0} % (within: {:.0} %)",
                100.0 * allowed,
                100.0 * level,
                100.0 * probability
            )
        }
    };
    let drift = found.drift.map_or(String::new(), |drift| {
        format!(
            " Since the check before it has moved by {} (u at most {:.2} %).",
            percent(drift),
            100.0 * 2.0_f64.sqrt() * found.off_u
        )
    });
    format!(
        "It shows {} {} where {} {} is right: {} (u {:.2} %); {verdict}.{drift}",
        shown(found.reading),
        unit.word,
        shown(found.expected),
        unit.word,
        percent(found.off),
        100.0 * found.off_u,
    )
}

/// Five significant digits.
fn digits(figure: f64) -> String {
    let places = if figure == 0.0 {
        0.0
    } else {
        4.0 - figure.abs().log10().floor()
    };
    format!("{figure:.0$}", places.clamp(0.0, 9.0) as usize)
}

fn advice(found: &MeterCheck) -> Vec<String> {
    let greatest = found
        .sources
        .first()
        .map_or("nothing that is known", |(name, _)| name.as_str());
    let mut advice: Vec<&str> = match found.verdict {
        MeterVerdict::Within => vec![
            "Leave it as it is: adjusting a meter that is within its accuracy makes a step in the log and no gain.",
            "Write the check into the log: date, solution, temperature, reading.",
        ],
        MeterVerdict::Outside => vec![
            "Rinse the cell, then with the solution; take fresh solution, wait until the temperature stands still, and repeat.",
            "If it is outside again, clean and calibrate it as its manual says, and check it in the solution once more.",
            "Write down what it showed before it was adjusted and after, and the date, as an [[event]] of kind \"calibration\" with as_found and as_left in the site file: readings since the calibration before are then corrected by it.",
        ],
        MeterVerdict::Untold => vec![
            "Rinse, take fresh solution, wait until the temperature stands still near 25 degC, and repeat.",
        ],
        MeterVerdict::NoAccuracy => {
            vec!["Give the accuracy of its data sheet, such as \"2 % of reading\", for a verdict."]
        }
    };
    let untold = format!("Most of what can't be told comes from {greatest}.");
    if found.verdict == MeterVerdict::Untold {
        advice.push(&untold);
    }
    let later = format!(
        "As it stands, its readings are {:.4} times what they should be if it is the cell that changed, and salt passage by a permeate meter is off by about the same factor. One solution can't tell a factor from a fixed offset: a second of another strength can.",
        found.factor
    );
    if matches!(
        found.verdict,
        MeterVerdict::Outside | MeterVerdict::NoAccuracy
    ) {
        advice.push(&later);
    }
    advice.into_iter().map(str::to_owned).collect()
}
