//! The sources of error of a log, how large each is at a reading, and how a reading leans on them.

use crate::baseline::Reference;
use crate::log::Column;
use crate::normalise::inputs::{Inputs, Origin, SaltFrom};
use crate::normalise::reading::{Conditions, Laws};
use crate::number::Number;
use crate::site::{Accuracy, Known, Site, known_at};

/// The most sources there can be: three laws, nine columns, two factors.
pub(crate) const SOURCES: usize = 16;
/// As many as most logs have; with these alone a reading is worked out faster.
pub(crate) const FEWER_SOURCES: usize = 12;
/// 1/√3, the standard deviation of what is evenly likely within ±1.
const EVENLY: f64 = 0.577_350_269_189_625_8;
/// The slot that stands for no source.
const NONE: usize = SOURCES;

/// A source of error.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Source {
    /// What it is: a column's name, or that of a factor or law.
    pub name: String,
    /// How far it may be off, either way.
    pub limit: Accuracy,
    /// Standard deviation of what scatters from reading to reading.
    scatter: f64,
    /// Whether more than the last digit scatters.
    repeats: bool,
    /// When the instrument was last calibrated, µs since 1970 UTC.
    calibrated_us: Option<i64>,
    /// What it was off by from one calibration to the next, where that is known: readings are corrected for it.
    known: Vec<Known>,
    /// What it reads, from the conditions.
    reads: Reads,
}

/// What a source reads.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Reads {
    /// A log's column.
    Column(Column),
    /// Something of which only a share, or a difference, is in error.
    One,
}

impl Source {
    /// Whether what scatters is the last digit alone, and so evenly spread.
    pub fn scatters_evenly(&self) -> bool {
        !self.repeats
    }
}

/// The standard uncertainties of every source at one reading: of what it is off by, and of what scatters.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sizes {
    pub off_by: [f64; SOURCES],
    pub scatter: [f64; SOURCES],
    /// The squares of both, together.
    variance: [f64; SOURCES],
}

/// The sources of a log, with the ways in which they enter.
#[derive(Debug, Clone)]
pub(crate) struct ErrorModel {
    pub sources: Vec<Source>,
    temperature_law: usize,
    salt_temperature_law: usize,
    osmotic_pressure: usize,
    derived_drop: bool,
    derived_permeate: bool,
    derived_feed: bool,
    temperature: usize,
    feed_pressure: usize,
    concentrate_pressure: usize,
    differential_pressure: usize,
    permeate_pressure: usize,
    permeate_flow: usize,
    feed_flow: usize,
    concentrate_flow: usize,
    recycle_flow: usize,
    feed_salt: Salt,
    permeate_salt: Salt,
    concentrate_salt: Salt,
}

/// How the salt of a stream leans on its sources.
#[derive(Debug, Clone, Copy)]
struct Salt {
    from: SaltFrom,
    /// The slot of the column it comes from.
    column: usize,
    /// The slot of the factor.
    factor: usize,
}

impl ErrorModel {
    /// The sources of a log; `None` where the site file gives none of them.
    pub fn new(site: &Site, inputs: &Inputs) -> Option<Self> {
        let of_law = |name: &str, limit: f64| Source {
            name: name.to_owned(),
            limit: Accuracy {
                absolute: limit,
                of_reading: 0.0,
            },
            scatter: 0.0,
            repeats: false,
            calibrated_us: None,
            known: Vec::new(),
            reads: Reads::One,
        };
        let mut sources = Vec::new();
        let mut law = |name: &str, limit: Option<f64>| match limit {
            Some(limit) => {
                sources.push(of_law(name, limit));
                sources.len() - 1
            }
            None => NONE,
        };
        let temperature_law = law("temperature law", site.temperature_accuracy_k);
        let salt_temperature_law = law("salt temperature law", site.salt_temperature_accuracy_k);
        let osmotic_pressure = law("osmotic pressure", site.salinity.osmotic_accuracy);
        let mut slot = |column: Column| {
            let Some(instrument) = site.instruments.get(&column) else {
                return NONE;
            };
            let resolution = instrument.resolution.unwrap_or(0.0);
            let repeatability = instrument.repeatability.unwrap_or(0.0);
            sources.push(Source {
                name: column.name().to_owned(),
                limit: instrument.accuracy.unwrap_or_default(),
                scatter: (resolution / 12.0_f64.sqrt()).hypot(repeatability),
                repeats: repeatability > 0.0,
                calibrated_us: instrument.calibrated_on.as_deref().and_then(midnight_us),
                known: inputs.known_errors.of_column(column).to_vec(),
                reads: Reads::Column(column),
            });
            sources.len() - 1
        };
        let derived_drop = inputs.is_derived(Column::DifferentialPressure);
        let derived_permeate = inputs.is_derived(Column::PermeateFlow);
        let derived_feed = inputs.is_derived(Column::FeedFlow);
        let mut used = |column: Column, also: bool| {
            let used = matches!(
                inputs.origin(column),
                Some(Origin::Measured | Origin::Assumed)
            );
            if used || also { slot(column) } else { NONE }
        };
        let temperature = used(Column::FeedTemperature, false);
        let feed_pressure = used(Column::FeedPressure, derived_drop);
        let concentrate_pressure = used(Column::ConcentratePressure, derived_drop);
        let differential_pressure = used(Column::DifferentialPressure, false);
        let permeate_pressure = used(Column::PermeatePressure, false);
        let permeate_flow = used(Column::PermeateFlow, false);
        let feed_flow = used(Column::FeedFlow, derived_permeate);
        let concentrate_flow = used(Column::ConcentrateFlow, derived_permeate || derived_feed);
        let recycle_flow = used(Column::RecycleFlow, false);
        let mut salt = |from: SaltFrom, tds: Column, conductivity: Column, also: bool| Salt {
            from,
            column: match from {
                SaltFrom::Itself => used(tds, also),
                SaltFrom::Factor(_) | SaltFrom::Curve(_) => used(conductivity, true),
                SaltFrom::Balance => NONE,
            },
            factor: NONE,
        };
        let balance = inputs.feed_salt == SaltFrom::Balance;
        let mut salts = [
            salt(
                inputs.feed_salt,
                Column::FeedTds,
                Column::FeedConductivity,
                false,
            ),
            salt(
                inputs.permeate_salt,
                Column::PermeateTds,
                Column::PermeateConductivity,
                false,
            ),
            salt(
                if balance {
                    inputs.concentrate_salt
                } else {
                    SaltFrom::Itself
                },
                Column::ConcentrateTds,
                Column::ConcentrateConductivity,
                balance,
            ),
        ];
        if let Some(accuracy) = site.salinity.tds_per_conductivity.accuracy {
            for (salt, stream) in salts.iter_mut().zip(["feed", "permeate", "concentrate"]) {
                if matches!(salt.from, SaltFrom::Factor(_) | SaltFrom::Curve(_)) {
                    salt.factor = sources.len();
                    sources.push(of_law(&format!("{stream} TDS per conductivity"), accuracy));
                }
            }
        }
        let [feed_salt, permeate_salt, concentrate_salt] = salts;
        let known = sources
            .iter()
            .any(|source| source.limit != Accuracy::default() || source.scatter > 0.0);
        known.then_some(Self {
            sources,
            temperature_law,
            salt_temperature_law,
            osmotic_pressure,
            derived_drop,
            derived_permeate,
            derived_feed,
            temperature,
            feed_pressure,
            concentrate_pressure,
            differential_pressure,
            permeate_pressure,
            permeate_flow,
            feed_flow,
            concentrate_flow,
            recycle_flow,
            feed_salt,
            permeate_salt,
            concentrate_salt,
        })
    }

    /// The conditions of a reading, and the laws, with these errors in their sources.
    ///
    /// Everything that is worked out from columns is worked out again, so that a reading that enters by several ways
    /// carries its one error into all of them.
    #[inline(always)]
    pub fn lean<T: Number>(
        &self,
        at: &Conditions,
        errors: &[T; SOURCES],
    ) -> (Conditions<T>, Laws<T>) {
        let error = |slot: usize| {
            if slot == NONE {
                T::constant(0.0)
            } else {
                errors[slot]
            }
        };
        let permeate_flow = if self.derived_permeate {
            error(self.feed_flow) - error(self.concentrate_flow)
        } else {
            error(self.permeate_flow)
        } + at.permeate_flow;
        let feed_flow = if self.derived_feed {
            error(self.permeate_flow) + error(self.concentrate_flow)
        } else {
            error(self.feed_flow)
        } + at.feed_flow;
        let drop = if self.derived_drop {
            error(self.feed_pressure) - error(self.concentrate_pressure)
        } else {
            error(self.differential_pressure)
        };
        let permeate_tds = self.permeate_salt.lean(at.permeate_tds, &error);
        let feed_tds = match self.feed_salt.from {
            SaltFrom::Balance => {
                let share = at.permeate_flow / at.feed_flow;
                let concentrate = (at.feed_tds - share * at.permeate_tds) / (1.0 - share);
                let concentrate = self.concentrate_salt.lean(concentrate, &error);
                let share = permeate_flow / feed_flow;
                concentrate + share * (permeate_tds - concentrate)
            }
            _ => self.feed_salt.lean(at.feed_tds, &error),
        };
        let conditions = Conditions {
            temperature: error(self.temperature) + at.temperature,
            feed_pressure: error(self.feed_pressure) + at.feed_pressure,
            differential_pressure: drop + at.differential_pressure,
            permeate_pressure: error(self.permeate_pressure) + at.permeate_pressure,
            permeate_flow,
            feed_flow,
            recycle_flow: error(self.recycle_flow) + at.recycle_flow,
            feed_tds,
            permeate_tds,
        };
        let laws = Laws {
            temperature_k: error(self.temperature_law),
            salt_temperature_k: error(self.salt_temperature_law),
            osmotic_share: error(self.osmotic_pressure),
        };
        (conditions, laws)
    }

    /// Whether the site file tells how far any law may be off.
    #[inline(always)]
    pub fn has_laws(&self) -> bool {
        self.temperature_law
            .min(self.salt_temperature_law)
            .min(self.osmotic_pressure)
            < NONE
    }

    /// How large each source's errors are at a reading of some time.
    #[inline(always)]
    pub fn sizes(&self, at: &Conditions, time_us: i64) -> Sizes {
        let mut sizes = Sizes {
            off_by: [0.0; SOURCES],
            scatter: [0.0; SOURCES],
            variance: [0.0; SOURCES],
        };
        for (slot, source) in self.sources.iter().enumerate() {
            let reading = match source.reads {
                Reads::One => 1.0,
                Reads::Column(column) => self.reading(column, at),
            };
            let off_by = match known_at(&source.known, time_us) {
                Some(known) => known.u(reading),
                None => source.limit.at(reading) * EVENLY,
            };
            sizes.off_by[slot] = off_by;
            sizes.scatter[slot] = source.scatter;
            sizes.variance[slot] = off_by * off_by + source.scatter * source.scatter;
        }
        sizes
    }

    /// What a column reads under these conditions.
    #[inline(always)]
    fn reading(&self, column: Column, at: &Conditions) -> f64 {
        let conductivity = |salt: &Salt, tds: f64| salt.from.measured_and_slope(tds).0;
        let concentrate_tds = || {
            let share = at.permeate_flow / at.feed_flow;
            (at.feed_tds - share * at.permeate_tds) / (1.0 - share)
        };
        match column {
            Column::FeedTemperature => at.temperature,
            Column::FeedPressure => at.feed_pressure,
            Column::ConcentratePressure => at.feed_pressure - at.differential_pressure,
            Column::DifferentialPressure => at.differential_pressure,
            Column::PermeatePressure => at.permeate_pressure,
            Column::PermeateFlow => at.permeate_flow,
            Column::FeedFlow => at.feed_flow,
            Column::ConcentrateFlow => at.feed_flow - at.permeate_flow,
            Column::RecycleFlow => at.recycle_flow,
            Column::FeedTds | Column::FeedConductivity => {
                conductivity(&self.feed_salt, at.feed_tds)
            }
            Column::PermeateTds | Column::PermeateConductivity => {
                conductivity(&self.permeate_salt, at.permeate_tds)
            }
            Column::ConcentrateTds | Column::ConcentrateConductivity => {
                conductivity(&self.concentrate_salt, concentrate_tds())
            }
            _ => f64::NAN,
        }
    }

    /// The instruments that were calibrated after the baseline and before a time: what each is off by is then another.
    #[inline(always)]
    pub fn calibrated_between(&self, baseline_end_us: i64, time_us: i64) -> [bool; SOURCES] {
        let mut calibrated = [false; SOURCES];
        for (slot, source) in self.sources.iter().enumerate() {
            let between = |at: i64| at > baseline_end_us && at <= time_us;
            // What is left of a known error is another from each calibration on.
            calibrated[slot] = source.calibrated_us.is_some_and(between)
                || source
                    .known
                    .iter()
                    .any(|known| between(known.from_us) || between(known.to_us));
        }
        calibrated
    }
}

impl Salt {
    #[inline(always)]
    fn lean<T: Number>(&self, tds: f64, error: &impl Fn(usize) -> T) -> T {
        match self.from {
            SaltFrom::Itself | SaltFrom::Balance => error(self.column) + tds,
            // A curve is followed in a straight line over so short a way as an error.
            SaltFrom::Factor(_) | SaltFrom::Curve(_) => {
                let (_, slope) = self.from.measured_and_slope(tds);
                (error(self.column) * slope + tds) * (error(self.factor) + 1.0)
            }
        }
    }
}

/// Midnight UTC at the start of a date.
fn midnight_us(date: &str) -> Option<i64> {
    let date: jiff::civil::Date = date.parse().ok()?;
    let midnight = date.at(0, 0, 0, 0);
    let stamp = jiff::tz::TimeZone::UTC.to_timestamp(midnight).ok()?;
    Some(stamp.as_microsecond())
}

/// The reference's own errors, which a change carries too.
#[derive(Debug, Clone)]
pub(crate) struct OfReference {
    /// The last moment of the baseline; readings after a later calibration have errors of their own.
    pub end_us: i64,
    sizes: Sizes,
    /// How many readings the baseline's medians stand on.
    rows: f64,
    /// How each output leans on the sources at the reference's conditions.
    slopes: Vec<[f64; SOURCES]>,
}

impl Sizes {
    /// What stays when many readings are taken together.
    pub fn lasting(self) -> Self {
        Self {
            scatter: [0.0; SOURCES],
            variance: self.off_by.map(|off_by| off_by * off_by),
            ..self
        }
    }
}

impl OfReference {
    /// What stays when the baseline is of many readings.
    pub fn lasting(&self) -> Self {
        Self {
            sizes: self.sizes.lasting(),
            ..self.clone()
        }
    }

    /// The standard uncertainties at the reference, the scatter being that of a median of its readings.
    pub fn sizes(&self) -> Sizes {
        let fewer = (std::f64::consts::FRAC_PI_2 / self.rows).sqrt();
        Sizes {
            scatter: self.sizes.scatter.map(|scatter| scatter * fewer),
            ..self.sizes
        }
    }

    /// `None` for stated conditions, which are exact.
    pub fn new(
        errors: &ErrorModel,
        reference: &Reference,
        slopes: Vec<[f64; SOURCES]>,
    ) -> Option<Self> {
        reference.span_us.map(|(_, end_us)| Self {
            end_us,
            sizes: errors.sizes(&reference.conditions(), end_us),
            rows: reference.rows as f64,
            slopes,
        })
    }
}

/// The variance that each source's errors give a figure that leans on them so.
#[inline(always)]
pub(crate) fn contributions<const K: usize>(slopes: &[f64; K], sizes: &Sizes) -> [f64; K] {
    let mut variances = [0.0; K];
    for s in 0..K {
        variances[s] = slopes[s] * slopes[s] * sizes.variance[s];
    }
    variances
}

/// The same for a change against a reference: what both are off by alike cancels as far as they lean alike.
///
/// The reference leans the other way, and by as much more as the figure has grown. Its scatter is that of a median of `rows`
/// readings: π/2 times that of a mean.
#[inline(always)]
pub(crate) fn contributions_to_change<const K: usize>(
    change: f64,
    slopes: &[f64; K],
    sizes: &Sizes,
    reference: &OfReference,
    output: usize,
    calibrated: &[bool; SOURCES],
) -> [f64; K] {
    let grown = 1.0 + change;
    let fewer = std::f64::consts::FRAC_PI_2 / reference.rows;
    let (of_reference, back) = (&reference.sizes, &reference.slopes[output]);
    let mut variances = [0.0; K];
    for s in 0..K {
        let (now, then) = (
            slopes[s] * sizes.off_by[s],
            grown * back[s] * of_reference.off_by[s],
        );
        let apart = now * now + then * then;
        let together = if calibrated[s] { 0.0 } else { 2.0 * now * then };
        let (now, then) = (
            slopes[s] * sizes.scatter[s],
            grown * back[s] * of_reference.scatter[s],
        );
        // Rounding may leave a trace below zero where all of it cancels.
        variances[s] = (apart - together).max(0.0) + now * now + then * then * fewer;
    }
    variances
}
