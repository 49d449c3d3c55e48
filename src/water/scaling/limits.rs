//! The highest recovery each scale allows, and which one binds.

use super::speciation::Speciation;
use super::{
    IONIC_STRENGTH_MAX, RECOVERY_MAX, SaltPassage, Scale, Water, is_too_strong, missing_ion,
    standard_index,
};
use crate::error::{Error, Fault, setting};

/// Steps of the concentration factor's logarithm in which the first crossing is sought: Langelier's and Stiff and Davis'
/// indices do not meet at 10,000 mg/L, so that there may be several.
const STEPS: usize = 60;
/// Halvings of a step; the recovery is then known to 1e-12.
const HALVINGS: usize = 40;

/// Which index is held to the limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// That of the standard practice.
    Standard,
    /// That of activities with ion pairs.
    Activity,
}

impl Method {
    /// From its name.
    ///
    /// # Errors
    /// A fault for a name that is not one.
    pub fn parse(name: &str) -> Result<Self, Error> {
        match name {
            "standard" => Ok(Self::Standard),
            "activity" => Ok(Self::Activity),
            _ => Err(Error::Analysis(
                Fault::new("not a method", "\"standard\" or \"activity\"")
                    .at_column("method")
                    .with_value(name)
                    .into(),
            )),
        }
    }
}

/// The saturation a scale may reach, and where that comes from.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Limit {
    /// log10 of saturation.
    pub index: f64,
    /// Where it comes from.
    pub basis: &'static str,
}

/// The limits of all scales.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Limits([Limit; Scale::ALL.len()]);

/// Saturation itself, of what has no limit of its own.
const SATURATION: Limit = Limit {
    index: 0.0,
    basis: "saturation, without antiscalant",
};

impl Limits {
    /// Without antiscalant: saturation; of the sulfates 0.8 of the solubility product (ASTM D4692, from memory).
    pub fn untreated() -> Self {
        Self(Scale::ALL.map(|scale| match scale {
            Scale::CalciumSulfate | Scale::BariumSulfate | Scale::StrontiumSulfate => Limit {
                index: 0.8f64.log10(),
                basis: "0.8 of the solubility product (ASTM D4692, from memory), without antiscalant",
            },
            _ => SATURATION,
        }))
    }

    /// A conservative default with an antiscalant nothing is known of (common practice, no source): an index of 1.8 for
    /// calcium carbonate, 2.3 times saturation for calcium sulfate, 8 for strontium, 60 for barium sulfate; fluoride and
    /// silica get no help.
    pub fn common_antiscalant() -> Self {
        Self(Scale::ALL.map(|scale| {
            let index = match scale {
                Scale::CalciumCarbonate => 1.8,
                Scale::CalciumSulfate => 2.3f64.log10(),
                Scale::StrontiumSulfate => 8.0f64.log10(),
                Scale::BariumSulfate => 60.0f64.log10(),
                Scale::CalciumFluoride | Scale::Silica => return SATURATION,
            };
            Limit {
                index,
                basis: "default with antiscalant (common practice, no source); its maker's figure comes first",
            }
        }))
    }

    /// One of the two above, by its name: "untreated" or "antiscalant".
    ///
    /// # Errors
    /// [`Error::Analysis`] for another name.
    pub fn parse(name: &str) -> Result<Self, Error> {
        match name {
            "untreated" => Ok(Self::untreated()),
            "antiscalant" => Ok(Self::common_antiscalant()),
            _ => Err(Error::Analysis(
                Fault::new(
                    "no limits of this name",
                    "\"untreated\", \"antiscalant\", or a limit for each scale",
                )
                .at_column("limits")
                .with_value(name)
                .into(),
            )),
        }
    }

    /// The user's own, by name of scale: of calcium carbonate the index, of others how many times saturation. Those not named
    /// stay as without antiscalant.
    ///
    /// # Errors
    /// [`Error::Analysis`] for a scale that is not known; [`Error::Range`] for an index outside −2 to 4 or a saturation
    /// outside 0.01 to 1000.
    pub fn from_names(given: impl IntoIterator<Item = (String, f64)>) -> Result<Self, Error> {
        let mut limits = Self::untreated();
        for (name, figure) in given {
            let Some(at) = Scale::ALL.iter().position(|scale| scale.name() == name) else {
                return Err(Error::Analysis(
                    Fault::new(
                        "no scale of this name",
                        format!("one of: {}", Scale::ALL.map(Scale::name).join(", ")),
                    )
                    .at_column("limits")
                    .with_value(name)
                    .into(),
                ));
            };
            let index = if Scale::ALL[at] == Scale::CalciumCarbonate {
                setting("calcium carbonate", figure, (-2.0, 4.0), "")?;
                figure
            } else {
                setting(
                    Scale::ALL[at].name(),
                    figure,
                    (0.01, 1000.0),
                    " times saturation",
                )?;
                figure.log10()
            };
            limits.0[at] = Limit {
                index,
                basis: "as given",
            };
        }
        Ok(limits)
    }

    /// That of a scale.
    pub fn of(&self, scale: Scale) -> Limit {
        self.0[scale as usize]
    }
}

/// The highest recovery a scale allows.
#[derive(Debug, Clone, PartialEq)]
pub struct RecoveryLimit {
    /// Which.
    pub scale: Scale,
    /// As a share of the feed; 0 where the feed itself is beyond the limit, NaN where none was found.
    pub recovery: f64,
    /// The saturation it may reach.
    pub limit: Limit,
    /// Why there is no recovery, or it is 0; empty otherwise.
    pub clause: String,
}

/// The highest recoveries of all scales.
#[derive(Debug, Clone, PartialEq)]
pub struct RecoveryLimits {
    /// In the order of [`Scale::ALL`].
    pub limits: Vec<RecoveryLimit>,
    /// What of the analysis is worth knowing.
    pub notes: Vec<String>,
}

impl RecoveryLimits {
    /// The scale that allows the least, if any limits.
    pub fn binding(&self) -> Option<&RecoveryLimit> {
        self.limits
            .iter()
            .filter(|limit| !limit.recovery.is_nan())
            .min_by(|a, b| a.recovery.total_cmp(&b.recovery))
    }

    /// In a sentence.
    pub fn sentence(&self) -> String {
        let missing: Vec<_> = self
            .limits
            .iter()
            .filter(|limit| limit.clause.ends_with("not analysed"))
            .map(|limit| limit.scale.name())
            .collect();
        let mut sentence = match self.binding() {
            Some(limit) if limit.recovery == 0.0 => {
                format!(
                    "{} is beyond its limit in the feed itself",
                    limit.scale.name()
                )
            }
            Some(limit) => format!(
                "{} binds, at a recovery of {:.1} %",
                limit.scale.name(),
                100.0 * limit.recovery
            ),
            None => "no scale limits the recovery within the range".to_owned(),
        };
        if !missing.is_empty() {
            sentence.push_str(&format!("; not judged: {}", missing.join(", ")));
        }
        sentence
    }
}

/// The highest recovery each scale allows: the first, from 0 on, at which its index passes the limit.
///
/// # Errors
/// [`Error::Range`] for a salt passage outside 0 to 1; by activities, [`Error::Analysis`] as of [`saturation`](super::saturation).
///
/// ```
/// use brinemark::water::scaling::{Limits, Method, SaltPassage, Scale, Water, recovery_limits};
/// let ions = [("calcium".to_owned(), 40.0), ("silica".to_owned(), 29.0)];
/// let water = Water::new(25.0, 7.0, 60.0, 300.0, ions)?;
/// let passage = SaltPassage::all(0.0);
/// let found = recovery_limits(&water, &passage, &Limits::common_antiscalant(), Method::Standard)?;
/// assert_eq!(found.binding().map(|limit| limit.scale), Some(Scale::Silica));
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn recovery_limits(
    water: &Water,
    passage: &SaltPassage,
    limits: &Limits,
    method: Method,
) -> Result<RecoveryLimits, Error> {
    let found = Scale::ALL
        .map(|scale| recovery_limit(water, passage, scale, limits.of(scale), method))
        .into_iter()
        .collect::<Result<Vec<_>, Error>>()?;
    Ok(RecoveryLimits {
        limits: found,
        notes: water.notes(),
    })
}

fn recovery_limit(
    water: &Water,
    passage: &SaltPassage,
    scale: Scale,
    limit: Limit,
    method: Method,
) -> Result<RecoveryLimit, Error> {
    let told = |recovery: f64, clause: String| {
        Ok(RecoveryLimit {
            scale,
            recovery,
            limit,
            clause,
        })
    };
    let missing = missing_ion(water, scale).or(match method {
        Method::Activity => water.missing_main_ion(),
        Method::Standard if scale == Scale::Silica => None,
        Method::Standard => water.ionic_strength().is_nan().then_some("tds"),
    });
    if let Some(name) = missing {
        return told(f64::NAN, format!("{name} not analysed"));
    }
    // Above the limit; none beyond the range of the ionic strength.
    let above = |recovery: f64| -> Result<Option<bool>, Error> {
        let concentrate = water.concentrate(recovery, passage)?;
        if is_too_strong(&concentrate) {
            return Ok(None);
        }
        let index = match method {
            Method::Standard => standard_index(&concentrate, scale).0,
            Method::Activity => Speciation::of(&concentrate)?.saturation_index(scale),
        };
        Ok(Some(index > limit.index))
    };
    let mut low = 0.0;
    for step in 0..=STEPS {
        let factor = (1.0 / (1.0 - RECOVERY_MAX)).powf(step as f64 / STEPS as f64);
        let mut high = (1.0 - 1.0 / factor).min(RECOVERY_MAX);
        match above(high)? {
            Some(true) if step == 0 => {
                return told(0.0, "the feed itself is beyond the limit".to_owned());
            }
            Some(false) => low = high,
            Some(true) => {
                for _ in 0..HALVINGS {
                    let middle = 0.5 * (low + high);
                    if above(middle)? == Some(true) {
                        high = middle;
                    } else {
                        low = middle;
                    }
                }
                return told(low, String::new());
            }
            None => {
                return told(
                    f64::NAN,
                    format!(
                        "not reached below {:.1} %, where the ionic strength passes {IONIC_STRENGTH_MAX} mol/L",
                        100.0 * low
                    ),
                );
            }
        }
    }
    told(
        f64::NAN,
        format!("not reached up to {:.0} %", 100.0 * RECOVERY_MAX),
    )
}
