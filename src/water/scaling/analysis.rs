//! A water as the laboratory tells it, and what becomes of it in the concentrate.

use super::species::{CARBONATE, CHARGES, COMPONENTS, G_MOL};
use crate::error::{Error, Fault, Faults, setting, within};

/// mg of calcium carbonate in a milliequivalent.
pub(super) const CALCIUM_CARBONATE_MG_MEQ: f64 = 50.04;
/// mg of bicarbonate for each mg of alkalinity as calcium carbonate.
pub(crate) const BICARBONATE_PER_ALKALINITY: f64 = 61.017 / CALCIUM_CARBONATE_MG_MEQ;
/// How far the charges may be apart, of their mean (common practice, no source: analyses within 5 % are good, beyond 10 %
/// something is missing).
const CHARGES_APART_MAX: f64 = 0.1;
const CHARGES_APART_GOOD: f64 = 0.05;
/// mg/L of dissolved solids for an ionic strength of 1 mol/L (I = TDS/40000: Davis, Water and Wastewater Engineering,
/// Table 7-5).
const TDS_PER_IONIC_STRENGTH: f64 = 40_000.0;

/// A water analysis. NaN is a figure that was not analysed; what was looked for and not found is 0.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Water {
    /// degC.
    pub temperature_degc: f64,
    /// At that temperature.
    pub ph: f64,
    /// Total alkalinity, mg/L as CaCO3.
    pub alkalinity: f64,
    /// mg/L of each, in the order of [`Water::IONS`].
    pub ions: [f64; Water::IONS.len()],
    /// Total dissolved solids as told, mg/L; NaN: the sum of the ions.
    pub tds: f64,
}

/// The main ions, without which neither the balance of charges nor an ionic strength by ions can be told.
const MAIN: [usize; 5] = [0, 2, 3, 6, 7];

impl Water {
    /// The names of the ions, in order; silica is as SiO2.
    pub const IONS: [&'static str; 11] = [
        "sodium",
        "potassium",
        "magnesium",
        "calcium",
        "barium",
        "strontium",
        "chloride",
        "sulfate",
        "fluoride",
        "nitrate",
        "silica",
    ];

    /// A water of these figures, ions by name in mg/L.
    ///
    /// # Errors
    /// [`Error::Range`] for a temperature outside 0 to 50 degC or a pH outside 4 to 10, or one that is missing;
    /// [`Error::Analysis`] for a name that is not one of [`Water::IONS`], a content below 0 or above 100 000 mg/L, and main
    /// ions whose charges are more than 10 % apart.
    ///
    /// ```
    /// use brinemark::water::scaling::Water;
    /// let ions = [("sodium", 120.0), ("magnesium", 30.0), ("calcium", 95.0), ("chloride", 180.0), ("sulfate", 160.0)];
    /// let ions = ions.map(|(name, content)| (name.to_owned(), content));
    /// let water = Water::new(20.0, 7.6, 205.0, f64::NAN, ions.clone())?;
    /// assert!((water.dissolved_solids() - 834.97).abs() < 0.01);
    /// let fault = Water::new(20.0, 7.6, 20.0, f64::NAN, ions).unwrap_err().to_string();
    /// assert!(fault.contains("cations 12.43 meq/L, anions 8.81 meq/L"), "{fault}");
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn new(
        temperature_degc: f64,
        ph: f64,
        alkalinity: f64,
        tds: f64,
        ions: impl IntoIterator<Item = (String, f64)>,
    ) -> Result<Self, Error> {
        setting("temperature", temperature_degc, (0.0, 50.0), " degC")?;
        setting("ph", ph, (4.0, 10.0), "")?;
        let content = (0.0, 100_000.0);
        within("alkalinity", alkalinity, content, " mg/L")?;
        within("tds", tds, content, " mg/L")?;
        let mut faults = Faults::default();
        let mut water = Self {
            temperature_degc,
            ph,
            alkalinity,
            ions: [f64::NAN; Self::IONS.len()],
            tds,
        };
        for (name, figure) in ions {
            let Some(at) = Self::IONS.iter().position(|known| *known == name) else {
                faults.push(
                    Fault::new(
                        "not one of an analysis",
                        format!("one of: {}", Self::IONS.join(", ")),
                    )
                    .at_column("ions")
                    .with_value(name),
                );
                continue;
            };
            if figure < content.0 || figure > content.1 {
                faults.push(
                    Fault::new(
                        "not a content",
                        "0 to 100000 mg/L; leave it out if it was not analysed",
                    )
                    .at_column(format!("ions.{name}"))
                    .with_value(format!("{figure} mg/L")),
                );
            }
            water.ions[at] = figure;
        }
        faults.into_result(Error::Analysis)?;
        let (cations, anions) = water.charges();
        if water.charges_apart() > CHARGES_APART_MAX {
            return Err(Error::Analysis(
                Fault::new(
                    format!(
                        "the charges do not balance: cations {cations:.2} meq/L, anions {anions:.2} meq/L"
                    ),
                    "an analysis of all main ions, in mg/L of the ions, alkalinity as CaCO3; sums at most 10 % apart",
                )
                .at_column("ions")
                .into(),
            ));
        }
        Ok(water)
    }

    /// mol/L of each component, NaN where it was not analysed; of carbonate its equivalents of alkalinity.
    pub(super) fn molar(&self) -> [f64; COMPONENTS] {
        std::array::from_fn(|at| match at {
            CARBONATE => 1e-3 * self.alkalinity / CALCIUM_CARBONATE_MG_MEQ,
            _ => 1e-3 * self.ions[at] / G_MOL[at],
        })
    }

    /// Charges of the cations and of the anions with the alkalinity, meq/L; what was not analysed counts as none.
    pub fn charges(&self) -> (f64, f64) {
        let known = |amount: f64| if amount.is_nan() { 0.0 } else { 1e3 * amount };
        let molar = self.molar();
        let sum = |sign: f64| -> f64 {
            (0..CARBONATE)
                .map(|at| (sign * CHARGES[at]).max(0.0) * known(molar[at]))
                .sum()
        };
        (sum(1.0), sum(-1.0) + known(molar[CARBONATE]))
    }

    /// How far the charges are apart, of their mean; NaN where a main ion was not analysed.
    pub fn charges_apart(&self) -> f64 {
        if self.missing_main_ion().is_some() {
            return f64::NAN;
        }
        let (cations, anions) = self.charges();
        if cations + anions == 0.0 {
            return 0.0;
        }
        2.0 * (cations - anions).abs() / (cations + anions)
    }

    /// The first main ion that was not analysed: of sodium, magnesium, calcium, chloride, sulfate and alkalinity.
    pub fn missing_main_ion(&self) -> Option<&'static str> {
        MAIN.iter()
            .find(|at| self.ions[**at].is_nan())
            .map(|at| Self::IONS[*at])
            .or(self.alkalinity.is_nan().then_some("alkalinity"))
    }

    /// Dissolved solids, mg/L: as told, or else the sum of the ions, alkalinity as bicarbonate. NaN where neither can be.
    pub fn dissolved_solids(&self) -> f64 {
        if !self.tds.is_nan() {
            return self.tds;
        }
        if self.missing_main_ion().is_some() {
            return f64::NAN;
        }
        let ions: f64 = self.ions.iter().filter(|figure| !figure.is_nan()).sum();
        ions + BICARBONATE_PER_ALKALINITY * self.alkalinity
    }

    /// Ionic strength ½ Σ m z², mol/L, alkalinity as bicarbonate; where a main ion was not analysed, TDS/40000.
    pub fn ionic_strength(&self) -> f64 {
        if self.missing_main_ion().is_some() {
            return self.dissolved_solids() / TDS_PER_IONIC_STRENGTH;
        }
        let molar = self.molar();
        let ions: f64 = (0..CARBONATE)
            .filter(|at| !molar[*at].is_nan())
            .map(|at| molar[at] * CHARGES[at] * CHARGES[at])
            .sum();
        0.5 * (ions + molar[CARBONATE])
    }

    /// The same water with so many times of everything dissolved in it; its pH stays.
    pub(crate) fn scaled(&self, factor: f64) -> Self {
        Self {
            alkalinity: self.alkalinity * factor,
            ions: self.ions.map(|content| content * factor),
            tds: self.tds * factor,
            ..*self
        }
    }

    /// The same water at another temperature; its pH stays.
    ///
    /// # Errors
    /// [`Error::Range`] outside 0 to 50 degC.
    pub(crate) fn at_temperature(&self, temperature_degc: f64) -> Result<Self, Error> {
        setting("temperature", temperature_degc, (0.0, 50.0), " degC")?;
        Ok(Self {
            temperature_degc,
            ..*self
        })
    }

    /// What of the analysis is worth knowing: balance of charges, and what was not analysed.
    pub fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        let (cations, anions) = self.charges();
        match self.missing_main_ion() {
            Some(name) => notes.push(format!(
                "{name} not analysed: the balance of charges can't be told, the ionic strength is TDS/40000"
            )),
            None if self.charges_apart() > CHARGES_APART_GOOD => notes.push(format!(
                "cations {cations:.2} meq/L, anions {anions:.2} meq/L: more than 5 % apart"
            )),
            None => {}
        }
        let others: Vec<_> = (0..Self::IONS.len())
            .filter(|at| !MAIN.contains(at) && self.ions[*at].is_nan())
            .map(|at| Self::IONS[at])
            .collect();
        if !others.is_empty() {
            notes.push(format!(
                "not analysed, and none in the ionic strength: {}",
                others.join(", ")
            ));
        }
        notes
    }

    /// The concentrate at a recovery: each content times (1 − Y SP)/(1 − Y), pH by alkalinity at the feed's carbon dioxide,
    /// which membranes let pass: pHc = pHf + log10(Alkc/Alkf).
    ///
    /// Source: ASTM D3739; the concentration factor as its text has it. Temperature stays the feed's.
    ///
    /// # Errors
    /// [`Error::Range`] for a recovery outside 0 to 0.99 or a salt passage outside 0 to 1.
    pub fn concentrate(&self, recovery: f64, passage: &SaltPassage) -> Result<Self, Error> {
        setting("recovery", recovery, (0.0, RECOVERY_MAX), "")?;
        passage.check()?;
        let factor = |passage: f64| (1.0 - recovery * passage) / (1.0 - recovery);
        let of_alkalinity = factor(passage.alkalinity);
        Ok(Self {
            temperature_degc: self.temperature_degc,
            // Where alkalinity is not known or none, the feed's pH is all there is to go by.
            ph: if self.alkalinity > 0.0 {
                self.ph + of_alkalinity.log10()
            } else {
                self.ph
            },
            alkalinity: self.alkalinity * of_alkalinity,
            ions: std::array::from_fn(|at| self.ions[at] * factor(passage.ions[at])),
            tds: self.tds * factor(passage.tds),
        })
    }
}

/// The highest recovery that is looked at: a concentration factor of 100.
pub const RECOVERY_MAX: f64 = 0.99;

/// Share of each that passes the membranes, permeate over feed, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct SaltPassage {
    /// In the order of [`Water::IONS`].
    pub ions: [f64; Water::IONS.len()],
    /// Of alkalinity.
    pub alkalinity: f64,
    /// Of dissolved solids, where they were told.
    pub tds: f64,
}

impl SaltPassage {
    /// The same of all.
    pub fn all(passage: f64) -> Self {
        Self {
            ions: [passage; Water::IONS.len()],
            alkalinity: passage,
            tds: passage,
        }
    }

    /// Of each by name: ions, "alkalinity", "tds"; those not named pass not at all, which is on the safe side.
    ///
    /// # Errors
    /// [`Error::Analysis`] for a name that is not known; [`Error::Range`] for a passage outside 0 to 1.
    pub fn from_names(given: impl IntoIterator<Item = (String, f64)>) -> Result<Self, Error> {
        let mut passages = Self::all(0.0);
        for (name, passage) in given {
            let at = Water::IONS.iter().position(|known| *known == name);
            *match (at, name.as_str()) {
                (Some(at), _) => &mut passages.ions[at],
                (None, "alkalinity") => &mut passages.alkalinity,
                (None, "tds") => &mut passages.tds,
                _ => {
                    return Err(Error::Analysis(
                        Fault::new(
                            "no salt passage of this is known",
                            format!("alkalinity, tds or one of: {}", Water::IONS.join(", ")),
                        )
                        .at_column("salt_passage")
                        .with_value(name)
                        .into(),
                    ));
                }
            } = passage;
        }
        passages.check()?;
        Ok(passages)
    }

    fn check(&self) -> Result<(), Error> {
        for passage in self.ions.iter().chain([&self.alkalinity, &self.tds]) {
            setting("salt_passage", *passage, (0.0, 1.0), "")?;
        }
        Ok(())
    }
}
