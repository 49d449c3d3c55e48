//! Two or more trains or periods compared: which fouls less, by how much, and how sure that is.
//!
//! An arm is a train over a time with a treatment. A design says which arms are added and taken off ([`Design`]); each
//! measure of that is a regression whose noise hangs together ([`regression`]), or by blocks ([`blocks`]). Like must be
//! compared with like ([`like`]): arms whose temperature, salinity or flux lie apart are refused. How long a trial must be,
//! [`plan`] tells.

mod arms;
pub mod blocks;
mod design;
mod effect;
pub mod judge;
pub mod like;
mod measure;
mod placebo;
pub mod plan;
pub mod regression;
mod stretches;

use crate::error::{Error, Fault, setting};
use crate::normalise::METHOD as NORMALISED_BY;
use crate::site::Site;
use crate::trend::points::Quantity;
use arms::Course;
use design::contrasts;
use like::{Likeness, Overlap, overlaps};

pub use arms::Arm;
pub use design::Design;
pub use effect::Effect;
pub use measure::{Kind, Measure};
pub use placebo::Placebo;

/// How the spread of an effect is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// Lines with autoregressive wander and noise, weighed by their likelihood.
    StateSpace,
    /// The stationary bootstrap of what least squares leave.
    BlockBootstrap,
}

impl Method {
    /// Every method with its name.
    pub const NAMES: [(&'static str, Self); 2] = [
        ("state-space", Self::StateSpace),
        ("block-bootstrap", Self::BlockBootstrap),
    ];

    /// The method of this name.
    ///
    /// # Errors
    /// [`Error::Series`] names those there are.
    pub fn named(name: &str) -> Result<Self, Error> {
        let found = Self::NAMES.iter().find(|(known, _)| *known == name);
        found.map(|(_, method)| *method).ok_or_else(|| {
            let names = Self::NAMES.map(|(name, _)| name).join(", ");
            refused(
                format!("method '{name}' is not known"),
                format!("one of {names}"),
            )
        })
    }

    /// In words.
    pub fn describe(self) -> &'static str {
        match self {
            Self::StateSpace => {
                "lines with first-order autoregressive wander and noise, weighed by their restricted likelihood"
            }
            Self::BlockBootstrap => {
                "least squares, its spread by the stationary bootstrap (Politis and Romano 1994) with automatic block length (Patton, Politis and White 2009)"
            }
        }
    }
}

/// What things cost, all in one currency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prices {
    /// A kilowatt hour.
    pub energy_per_kwh: f64,
    /// A m3 of raw water, with its treatment that is common to all arms.
    pub water_per_m3: f64,
    /// One cleaning, with chemicals, work and standstill.
    pub cleaning: f64,
    /// Hydraulic over electrical power (0.5 to 0.8, common practice, no source).
    pub pump_efficiency: f64,
}

/// Settings of [`compare`].
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// How the trial is built.
    pub design: Design,
    /// The control's treatment.
    pub control: String,
    /// What is compared.
    pub measures: Vec<Measure>,
    /// How often an interval shall hold the true figure.
    pub level: f64,
    /// How often a difference may be called where there is none, the whole family taken together.
    pub risk: f64,
    /// How much more counts as no worse, as a fraction of the control's.
    pub margin: f64,
    /// How the spread is found.
    pub method: Method,
    /// Draws of a bootstrap.
    pub draws: usize,
    /// The same seed gives the same figures.
    pub seed: u64,
    /// Days at the begin of each arm that are not counted.
    pub washout_days: f64,
    /// What things cost; `None`: no cost is compared.
    pub prices: Option<Prices>,
    /// When arms are alike.
    pub like: Likeness,
    /// Whether arms that are not alike are compared all the same, and the outcome marked.
    pub allow_unlike: bool,
    /// From when to when nothing changed, µs since 1970: there the same comparison shows chance alone.
    pub placebo_us: Option<(i64, i64)>,
    /// How far the site's temperature constants may be off, K: of water and of salt.
    pub constants: [Option<f64>; 2],
}

impl Settings {
    /// The usual ones for a design and its control.
    pub fn of(design: Design, control: impl Into<String>) -> Self {
        Self {
            design,
            control: control.into(),
            measures: Measure::ALL.to_vec(),
            level: 0.90,
            risk: 0.05,
            margin: 0.10,
            method: Method::StateSpace,
            draws: 2000,
            seed: 1,
            washout_days: 0.0,
            prices: None,
            like: Likeness::default(),
            allow_unlike: false,
            placebo_us: None,
            constants: [None; 2],
        }
    }

    fn prices(&self) -> Prices {
        self.prices.unwrap_or(Prices {
            energy_per_kwh: 0.0,
            water_per_m3: 0.0,
            cleaning: 0.0,
            pump_efficiency: 0.65,
        })
    }

    fn constant(&self, quantity: Quantity) -> Option<f64> {
        match quantity {
            Quantity::WaterPermeability => self.constants[0],
            Quantity::SaltPermeability => self.constants[1],
            Quantity::PressureDrop => None,
        }
    }

    fn check(&self) -> Result<(), Error> {
        setting("level", self.level, (0.5, 0.999), "")?;
        setting("risk", self.risk, (0.001, 0.5), "")?;
        setting("margin", self.margin, (0.001, 10.0), "")?;
        setting("draws", self.draws as f64, (100.0, 1e6), "")?;
        setting("washout_days", self.washout_days, (0.0, 3650.0), " d")?;
        setting(
            "like_temperature_k",
            self.like.temperature,
            (0.0, 50.0),
            " K",
        )?;
        setting("like_salinity", self.like.salinity, (0.0, 10.0), "")?;
        setting("like_flux", self.like.flux, (0.0, 10.0), "")?;
        setting("like_share", self.like.share, (0.01, 1.0), "")?;
        if let Some(prices) = &self.prices {
            setting("energy_per_kwh", prices.energy_per_kwh, (0.0, 1e6), "")?;
            setting("water_per_m3", prices.water_per_m3, (0.0, 1e6), "")?;
            setting("cleaning", prices.cleaning, (0.0, 1e12), "")?;
            setting("pump_efficiency", prices.pump_efficiency, (0.05, 1.0), "")?;
        }
        Ok(())
    }
}

/// A refusal of what can't be compared.
fn refused(problem: impl Into<String>, remedy: impl Into<String>) -> Error {
    Error::Series(Fault::new(problem, remedy).into())
}

/// A day of an arm, for a drawing: logarithms of the three quantities against the reference.
pub type DrawnDay = (f64, [f64; 3]);

/// What came of a trial.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// The settings it was made with.
    pub settings: Settings,
    /// Each measure of each treatment against the control.
    pub effects: Vec<Effect>,
    /// How far temperature, salinity and flux of the arms overlap.
    pub overlaps: Vec<Overlap>,
    /// What is not alike, in words; empty where like was compared with like.
    pub unlike: Vec<String>,
    /// How many tests the family of Holm's rule has.
    pub family: usize,
    /// What a reader must know.
    pub warnings: Vec<String>,
    /// Each arm in words, and its days.
    pub arms: Vec<(String, Vec<DrawnDay>)>,
}

/// Compares the arms of a trial.
///
/// # Errors
/// [`Error::Range`] for settings out of range; [`Error::Method`] where arms were normalised by different methods or kinds of
/// reference; [`Error::Series`] where they are not those of the design, have no days in common, or are not alike.
pub fn compare(arms: &[Arm<'_>], settings: &Settings) -> Result<Comparison, Error> {
    settings.check()?;
    let settings = &Settings {
        constants: arms
            .first()
            .map_or([None; 2], |arm| accuracies(&arm.result.site)),
        ..settings.clone()
    };
    for arm in arms {
        setting("treatment_cost", arm.treatment_cost, (0.0, 1e6), "")?;
        if arm.span_us.1 <= arm.span_us.0 {
            return Err(refused(
                format!("arm {} ends before it begins", arm.words()),
                "start before end",
            ));
        }
    }
    let courses = arms
        .iter()
        .map(|arm| Course::of(*arm))
        .collect::<Result<Vec<Course<'_>>, Error>>()?;
    same_method(&courses)?;
    let contrasts = contrasts(settings.design, &courses, &settings.control)?;
    let overlaps: Vec<Overlap> = contrasts
        .iter()
        .flat_map(|contrast| &contrast.alike)
        .flat_map(|(a, b)| overlaps(&courses[*a], &courses[*b], &settings.like))
        .collect();
    let unlike: Vec<String> = overlaps
        .iter()
        .filter(|overlap| !overlap.is_like)
        .map(|overlap| overlap.words(settings.like.share))
        .collect();
    if !unlike.is_empty() && !settings.allow_unlike {
        return Err(refused(
            format!("like is not compared with like: {}", unlike.join("; ")),
            "compare stretches under like conditions, or allow_unlike, which marks the outcome",
        ));
    }
    let measures: Vec<Measure> = settings
        .measures
        .iter()
        .copied()
        .filter(|measure| *measure != Measure::Cost || settings.prices.is_some())
        .collect();
    let mut effects: Vec<Effect> = contrasts
        .iter()
        .flat_map(|contrast| {
            let courses = &courses;
            measures
                .iter()
                .map(move |measure| effect::effect(contrast, courses, *measure, settings))
        })
        .collect();
    let adjusted = judge::holm(&effects.iter().map(|effect| effect.p).collect::<Vec<f64>>());
    for (effect, p) in effects.iter_mut().zip(&adjusted) {
        effect.p_adjusted = *p;
    }
    let mut warnings = warnings(&courses, &effects, settings);
    if let Some(span) = settings.placebo_us {
        placebo::placebo(arms, span, settings, &mut effects, &mut warnings)?;
    }
    Ok(Comparison {
        family: adjusted.iter().filter(|p| !p.is_nan()).count(),
        overlaps,
        unlike,
        warnings,
        arms: courses
            .iter()
            .map(|course| {
                (
                    course.arm.words(),
                    course.days.iter().map(|day| (day.time, day.logs)).collect(),
                )
            })
            .collect(),
        effects,
        settings: settings.clone(),
    })
}

/// How far the site's temperature constants may be off.
fn accuracies(site: &Site) -> [Option<f64>; 2] {
    [
        site.temperature_accuracy_k,
        site.salt_temperature_accuracy_k,
    ]
}

/// Refuses arms whose figures were made in different ways.
fn same_method(courses: &[Course<'_>]) -> Result<(), Error> {
    let Some((first, rest)) = courses.split_first() else {
        return Err(refused("there is no arm", "two at least"));
    };
    let of = |course: &Course<'_>| {
        let result = course.arm.result;
        [
            (
                "method or unit (element, stages, laws, salinity, assumptions)",
                result.site.method_hash(),
            ),
            ("kind of reference", result.baseline.kind.clone()),
            ("quantities", format!("{:?}", course.columns)),
        ]
    };
    for course in rest {
        for ((what, one), (_, other)) in of(first).into_iter().zip(of(course)) {
            if one != other {
                return Err(Error::Method(Fault::new(
                    format!(
                        "arm {} and arm {} were normalised with another {what}",
                        first.arm.words(),
                        course.arm.words()
                    ),
                    format!("normalise all arms alike ({NORMALISED_BY})"),
                )));
            }
        }
    }
    Ok(())
}

fn warnings(courses: &[Course<'_>], effects: &[Effect], settings: &Settings) -> Vec<String> {
    let mut told = Vec::new();
    if settings.placebo_us.is_none() {
        told.push("no placebo run: name a time in which nothing changed (placebo), and the noise floor is shown beside the effects".to_owned());
    }
    if settings.design == Design::BeforeAfter {
        told.push("before and after: whatever else changed between them is taken for the treatment; a control train tells them apart".to_owned());
    }
    for course in courses {
        let reference = course
            .arm
            .result
            .baseline
            .of(&course.group)
            .and_then(|found| found.span_us);
        if let Some((start, _)) = reference
            && course.arm.span_us.0 - start < 60 * crate::trend::points::DAY_US
        {
            told.push(format!(
                "arm {} begins within 60 days of its reference: new membranes settle, which looks like fouling",
                course.arm.words()
            ));
        }
    }
    let aside: usize = effects.iter().map(|effect| effect.aside).max().unwrap_or(0);
    if aside > 0 {
        told.push(format!("up to {aside} days a measure lie far off their neighbours, or are too few between two cleanings, and are not counted"));
    }
    told
}
