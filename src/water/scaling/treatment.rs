//! What is done to the feed before the membranes: softening and acid.

use super::analysis::CALCIUM_CARBONATE_MG_MEQ;
use super::carbonate::{CARBON_DIOXIDE_G_MOL, carbon_dioxide, ph_at, standard_index};
use super::species::{BARIUM, CALCIUM, CHLORIDE, G_MOL, MAGNESIUM, SODIUM, STRONTIUM, SULFATE};
use super::{SaltPassage, Water};
use crate::error::{Error, Fault, setting};

/// An acid that lowers alkalinity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Acid {
    /// H2SO4, which brings sulfate.
    Sulfuric,
    /// HCl, which brings chloride.
    Hydrochloric,
}

impl Acid {
    /// From its name.
    ///
    /// # Errors
    /// A fault for a name that is not one.
    pub fn parse(name: &str) -> Result<Self, Error> {
        match name {
            "sulfuric" => Ok(Self::Sulfuric),
            "hydrochloric" => Ok(Self::Hydrochloric),
            _ => Err(Error::Analysis(
                Fault::new("not an acid known here", "\"sulfuric\" or \"hydrochloric\"")
                    .at_column("acid")
                    .with_value(name)
                    .into(),
            )),
        }
    }

    /// mg of the pure acid in a milliequivalent (IUPAC's weights, from memory).
    fn mg_meq(self) -> f64 {
        match self {
            Self::Sulfuric => 98.08 / 2.0,
            Self::Hydrochloric => 36.46,
        }
    }
}

impl Water {
    /// The water behind a softener that takes this share of calcium, magnesium, barium and strontium for sodium. Where sodium
    /// was not analysed it stays so; dissolved solids that were told gain what sodium weighs more.
    ///
    /// # Errors
    /// [`Error::Range`] for a share outside 0 to 1.
    pub fn softened(&self, share: f64) -> Result<Self, Error> {
        setting("softening", share, (0.0, 1.0), "")?;
        let mut water = *self;
        for at in [MAGNESIUM, CALCIUM, BARIUM, STRONTIUM] {
            let taken = self.ions[at] * share;
            if !taken.is_nan() {
                let sodium = 2.0 * taken / G_MOL[at] * G_MOL[SODIUM];
                water.ions[at] -= taken;
                water.ions[SODIUM] += sodium;
                water.tds += sodium - taken;
            }
        }
        Ok(water)
    }

    /// The water with acid, mg/L of the pure acid: alkalinity falls by its equivalents and becomes carbon dioxide, which
    /// sets the pH; its sulfate or chloride stays.
    ///
    /// # Errors
    /// [`Error::Range`] for a dose below 0 or one that leaves less than 2 % of the alkalinity, or a pH below 4.
    pub fn acidified(&self, dose_mg_l: f64, acid: Acid) -> Result<Self, Error> {
        let most = self.alkalinity / CALCIUM_CARBONATE_MG_MEQ * acid.mg_meq() * 0.98;
        setting("acid dose", dose_mg_l, (0.0, most), " mg/L")?;
        let equivalents = dose_mg_l / acid.mg_meq();
        let mut water = *self;
        water.alkalinity -= equivalents * CALCIUM_CARBONATE_MG_MEQ;
        let carbon_dioxide = carbon_dioxide(self) + equivalents * CARBON_DIOXIDE_G_MOL;
        water.ph = ph_at(&water, carbon_dioxide);
        setting("ph", water.ph, (4.0, 10.0), "")?;
        let (at, ions) = match acid {
            Acid::Sulfuric => (SULFATE, 0.5),
            Acid::Hydrochloric => (CHLORIDE, 1.0),
        };
        let brought = ions * equivalents * G_MOL[at];
        water.ions[at] += brought;
        // A meq of bicarbonate goes, as carbon dioxide and water.
        water.tds += brought - equivalents * 61.017;
        Ok(water)
    }
}

/// The acid that brings calcium carbonate to a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AcidDose {
    /// Pure acid, mg/L of feed.
    pub dose_mg_l: f64,
    /// The same as alkalinity destroyed, mg/L as CaCO3.
    pub dose_as_calcium_carbonate_mg_l: f64,
    /// The feed with the acid in it.
    pub water: Water,
}

/// The least acid with which the concentrate's standard index of calcium carbonate is at most `limit`: 0 where it is so
/// without.
///
/// # Errors
/// [`Error::Range`] for a recovery or salt passage out of range; [`Error::Analysis`] where calcium, alkalinity or dissolved
/// solids were not analysed, or no dose that leaves a pH of 4 does.
pub fn acid_dose(
    water: &Water,
    recovery: f64,
    passage: &SaltPassage,
    limit: f64,
    acid: Acid,
) -> Result<AcidDose, Error> {
    setting("limit", limit, (-2.0, 4.0), "")?;
    let index = |water: &Water| -> Result<f64, Error> {
        Ok(standard_index(&water.concentrate(recovery, passage)?).0)
    };
    let unable = |problem: &str, remedy: &str| {
        Error::Analysis(Fault::new(problem, remedy).at_column("acid dose").into())
    };
    let now = index(water)?;
    if now.is_nan() {
        return Err(unable(
            "calcium, alkalinity or dissolved solids not analysed",
            "all three",
        ));
    }
    let told = |dose: f64, water: Water| AcidDose {
        dose_mg_l: dose,
        dose_as_calcium_carbonate_mg_l: dose / acid.mg_meq() * CALCIUM_CARBONATE_MG_MEQ,
        water,
    };
    if now <= limit {
        return Ok(told(0.0, *water));
    }
    let whole = water.alkalinity / CALCIUM_CARBONATE_MG_MEQ * acid.mg_meq();
    // What takes the pH below 4 is too much, as is what leaves no alkalinity.
    let (mut low, mut high) = (0.0, whole);
    let mut enough = None;
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        match water.acidified(middle, acid) {
            Ok(treated) if index(&treated)? > limit => low = middle,
            Ok(treated) => {
                high = middle;
                enough = Some(told(middle, treated));
            }
            Err(_) => high = middle,
        }
    }
    enough.ok_or_else(|| {
        unable(
            "no dose that leaves a pH of 4 and some alkalinity is enough",
            "a lower recovery, a higher limit, or softening",
        )
    })
}
