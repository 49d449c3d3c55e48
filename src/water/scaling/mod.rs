//! What may scale the membranes: saturation of the concentrate, and the recovery that it allows.
//!
//! Each scale is told in two ways. The standard index is what the standard practices would have: contents, an ionic strength,
//! no ion pairs. The activity index knows pairs, and lies within 0.005 of PHREEQC's on 56 waters of 5 to 35 degC and up to
//! 10 000 mg/L (`studies/saturation.py`), where the standards' lie up to 0.65 higher. Both are 0 at saturation, 1 at ten times.
//!
//! An index says where scale may begin, not when: nuclei, antiscalants, metals and polarisation at the membrane's surface,
//! which is not in it, move that. The manufacturers' instructions for membranes and antiscalant come first, and acid is
//! dosed only as they, local codes and licensed practice allow.

mod analysis;
mod carbonate;
mod limits;
mod minerals;
mod products;
mod speciation;
mod species;
#[cfg(test)]
mod tests;
mod treatment;

pub(crate) use analysis::BICARBONATE_PER_ALKALINITY;
pub use analysis::{RECOVERY_MAX, SaltPassage, Water};
pub use carbonate::LANGELIER_TDS_MAX;
pub use limits::{Limit, Limits, Method, RecoveryLimit, RecoveryLimits, recovery_limits};
pub use minerals::Scale;
pub use products::silica_solubility;
pub use treatment::{Acid, AcidDose, acid_dose};

use self::speciation::Speciation;
use crate::error::Error;

/// Ionic strength up to which the indices are taken, mol/L: that of Stiff and Davis' chart in one piece, and nearly twice
/// seawater's.
pub const IONIC_STRENGTH_MAX: f64 = 1.2;

/// What to know of the index that takes Langelier's place in salty water; tests/python/test_phreeqc.py has the figures.
const STIFF_DAVIS_NOTE: &str = "above 10,000 mg/L the standard's index of calcium carbonate is Stiff and Davis', by a fit from \
     memory: it lies 0.3 to 0.8 below PHREEQC's, which is not on the safe side; go by activities there";

/// How a scale stands in a water.
#[derive(Debug, Clone, PartialEq)]
pub struct ScaleIndex {
    /// Which.
    pub scale: Scale,
    /// By the standard practice; −∞ where the water has none of an ion, NaN where it can't be told.
    pub standard_index: f64,
    /// By activities with ion pairs; NaN where it can't be told.
    pub activity_index: f64,
    /// The practice behind `standard_index`.
    pub scheme: &'static str,
    /// Why a figure is missing; empty where none is.
    pub clause: String,
}

/// A concentrate and how the scales stand in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Saturation {
    /// Recovery, as a share of the feed.
    pub recovery: f64,
    /// The concentrate.
    pub concentrate: Water,
    /// In the order of [`Scale::ALL`].
    pub scales: Vec<ScaleIndex>,
    /// What of the analysis is worth knowing.
    pub notes: Vec<String>,
}

/// Saturation of the concentrate at a recovery; at 0 of the water itself.
///
/// # Errors
/// [`Error::Range`] for a recovery outside 0 to 0.99, a salt passage outside 0 to 1; [`Error::Analysis`] for a pH at which
/// hydroxide and silica alone exceed the alkalinity.
///
/// ```
/// use brinemark::water::scaling::{SaltPassage, Water, saturation};
/// let hardness_as_calcium = [("calcium".to_owned(), 80.09)];
/// let water = Water::new(25.0, 7.6, 150.0, 500.0, hardness_as_calcium)?;
/// let found = saturation(&water, 0.75, &SaltPassage::all(0.0))?;
/// assert!((found.scales[0].standard_index - 1.906).abs() < 0.005);
/// assert_eq!(found.scales[2].clause, "barium not analysed");
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn saturation(
    water: &Water,
    recovery: f64,
    passage: &SaltPassage,
) -> Result<Saturation, Error> {
    let concentrate = water.concentrate(recovery, passage)?;
    let mut notes = water.notes();
    if concentrate.dissolved_solids() > LANGELIER_TDS_MAX {
        notes.push(STIFF_DAVIS_NOTE.to_owned());
    }
    Ok(Saturation {
        recovery,
        scales: indices(&concentrate)?,
        concentrate,
        notes,
    })
}

/// How the scales stand in a water as it is.
fn indices(water: &Water) -> Result<Vec<ScaleIndex>, Error> {
    let too_strong = is_too_strong(water);
    let speciation = match water.missing_main_ion() {
        None if !too_strong => Some(Speciation::of(water)?),
        _ => None,
    };
    Ok(Scale::ALL
        .map(|scale| {
            let (standard_index, scheme) = standard_index(water, scale);
            let missing = missing_ion(water, scale);
            let activity_index = match &speciation {
                Some(found) if missing.is_none() => found.saturation_index(scale),
                _ => f64::NAN,
            };
            let clause = if too_strong {
                format!("ionic strength above {IONIC_STRENGTH_MAX} mol/L")
            } else if let Some(name) = missing {
                format!("{name} not analysed")
            } else if let Some(name) = water.missing_main_ion() {
                format!("{name} not analysed: no activities")
            } else {
                String::new()
            };
            ScaleIndex {
                scale,
                standard_index,
                activity_index,
                scheme,
                clause,
            }
        })
        .into())
}

fn is_too_strong(water: &Water) -> bool {
    water.ionic_strength() > IONIC_STRENGTH_MAX
}

/// The first ion of a scale that was not analysed.
fn missing_ion(water: &Water, scale: Scale) -> Option<&'static str> {
    let molar = water.molar();
    scale
        .components()
        .iter()
        .find(|(at, _)| molar[*at].is_nan())
        .map(|(at, _)| Water::IONS.get(*at).copied().unwrap_or("alkalinity"))
}

/// By the standard practice: NaN beyond the ionic strengths it is taken for, and where a figure was not analysed.
fn standard_index(water: &Water, scale: Scale) -> (f64, &'static str) {
    let (index, scheme) = match scale {
        Scale::CalciumCarbonate => carbonate::standard_index(water),
        Scale::CalciumSulfate | Scale::BariumSulfate | Scale::StrontiumSulfate => (
            products::log_ion_product_ratio(water, scale),
            "ion product over solubility product (ASTM D4692)",
        ),
        Scale::CalciumFluoride => (
            products::log_ion_product_ratio(water, scale),
            "ion product over solubility product (as ASTM D4692)",
        ),
        Scale::Silica => (
            products::log_silica_ratio(water),
            "content over solubility (ASTM D4993)",
        ),
    };
    let index = if is_too_strong(water) {
        f64::NAN
    } else {
        index
    };
    (index, scheme)
}
