//! What a unit is expected to make, with its interval.

use statrs::distribution::{ContinuousCDF, Normal};

use super::operate::{Operation, Working};
use super::train::{Membrane, Train};
use crate::assess::Estimate;
use crate::error::{Error, setting};
use crate::log::Column;
use crate::normalise::inputs::SaltFrom;
use crate::site::Site;
use crate::units::Unit;

/// How the intervals come about.
pub const METHOD: &str = "membrane model; propagation of limits of error (JCGM 100:2008, eq. 10)";

/// 25 degC in K.
const KELVIN_25: f64 = 298.15;
const KELVIN_0: f64 = 273.15;

/// Something that an expectation rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// The reading of a column, or its conductivity.
    Column(Column),
    /// How conductivity tells salt.
    TdsPerConductivity,
    /// The osmotic pressure of the salt.
    OsmoticPressure,
    /// The temperature law of permeate flow; of salt too, where it has none of its own.
    TemperatureLaw,
    /// The temperature law of salt.
    SaltTemperatureLaw,
    /// How far an element's flow may lie from its rating.
    RatedFlow,
    /// How far an element's salt passage may lie from its rating.
    RatedRejection,
}

impl Doubt {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Column(column) => column.name(),
            Self::TdsPerConductivity => "tds_per_conductivity",
            Self::OsmoticPressure => "osmotic_pressure",
            Self::TemperatureLaw => "temperature law",
            Self::SaltTemperatureLaw => "temperature law of salt",
            Self::RatedFlow => "rated permeate flow",
            Self::RatedRejection => "rated rejection",
        }
    }
}

/// What an expectation rests on, and the standard uncertainty of each: of a share where a share is what moves, else canonical.
#[derive(Debug, Clone, PartialEq)]
pub struct Doubts {
    /// Each with its standard uncertainty.
    pub known: Vec<(Doubt, f64)>,
    /// What is taken as exact, since the site file doesn't tell.
    pub not_told: Vec<&'static str>,
    salt_has_own_law: bool,
}

/// A figure's expectation, and what its uncertainty comes from.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// With its interval, canonical.
    pub estimate: Estimate,
    /// Each source's share of the variance, greatest first; they add to 1.
    pub shares: Vec<(Doubt, f64)>,
}

/// What a unit is expected to make.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// The unit at work.
    pub working: Working,
    /// m3/h.
    pub permeate_flow: Figure,
    /// mg/L.
    pub permeate_tds: Figure,
    /// bar.
    pub differential_pressure: Figure,
    /// Permeate over raw feed.
    pub recovery: Figure,
}

/// 1/√3, the standard deviation of what is evenly likely within ±1.
pub(crate) const EVENLY: f64 = 0.577_350_269_189_625_8;

/// What a reading of a column may be off by, as a standard uncertainty; `None` where the site file doesn't tell.
pub(crate) fn reading_u(site: &Site, column: Column, at: f64) -> Option<f64> {
    let instrument = site.instruments.get(&column)?;
    let accuracy = instrument.accuracy?.at(at) * EVENLY;
    // A gauge is set, or read, to half a step.
    let step = 0.5 * instrument.resolution.unwrap_or(0.0) * EVENLY;
    Some(accuracy.hypot(step))
}

impl Doubts {
    /// By the site file, where a unit runs so. `rated` says whether the membrane is that of the data sheet: then its rating is
    /// in doubt too. An element is off by its rating alike with its whole lot, so that many elements are no surer than one: on
    /// the safe side.
    pub fn of_site(site: &Site, case: &Operation, rated: bool) -> Self {
        let mut doubts = Self {
            known: Vec::new(),
            not_told: Vec::new(),
            salt_has_own_law: site.salt_temperature.is_some(),
        };
        let reading = |column: Column, at: f64| reading_u(site, column, at);
        for (column, at) in [
            (Column::FeedTemperature, case.temperature),
            (Column::FeedPressure, case.drive_value),
            (Column::PermeatePressure, case.permeate_pressure),
            (Column::ConcentrateFlow, case.drain_value),
            (Column::RecycleFlow, case.recycle_flow),
        ] {
            if column == Column::RecycleFlow && case.recycle_flow == 0.0 {
                continue;
            }
            doubts.tell(Doubt::Column(column), column.name(), reading(column, at));
        }
        let (conductivity, rule) = SaltFrom::of_stream(Column::FeedTds, site);
        match rule {
            Some(rule) => {
                let (at, slope) = rule.measured_and_slope(case.feed_tds);
                let share = reading(conductivity, at).map(|u| u * slope / case.feed_tds);
                doubts.tell(Doubt::Column(conductivity), conductivity.name(), share);
                let of_rule = site.salinity.tds_per_conductivity.accuracy;
                doubts.tell(
                    Doubt::TdsPerConductivity,
                    "salinity.tds_per_conductivity.accuracy",
                    of_rule.map(|limit| limit * EVENLY),
                );
            }
            None => {
                let share = reading(Column::FeedTds, case.feed_tds).map(|u| u / case.feed_tds);
                doubts.tell(Doubt::Column(Column::FeedTds), "feed_tds", share);
            }
        }
        let share = |limit: Option<f64>| limit.map(|limit| limit * EVENLY);
        doubts.tell(
            Doubt::OsmoticPressure,
            "salinity.osmotic_accuracy",
            share(site.salinity.osmotic_accuracy),
        );
        doubts.tell(
            Doubt::TemperatureLaw,
            "temperature.accuracy",
            share(site.temperature_accuracy_k),
        );
        if doubts.salt_has_own_law {
            doubts.tell(
                Doubt::SaltTemperatureLaw,
                "temperature.salt.accuracy",
                share(site.salt_temperature_accuracy_k),
            );
        }
        if rated {
            let element = &site.element;
            doubts.tell(
                Doubt::RatedFlow,
                "element.rated_permeate_flow_tolerance",
                share(element.rated_permeate_flow_tolerance),
            );
            let passage = element
                .rated_rejection_minimum
                .zip(element.rated_rejection)
                .filter(|(_, rated)| *rated < 1.0)
                .map(|(least, rated)| ((1.0 - least) / (1.0 - rated) - 1.0).max(0.0));
            doubts.tell(
                Doubt::RatedRejection,
                "element.rated_rejection_minimum",
                share(passage),
            );
        }
        doubts
    }

    fn tell(&mut self, doubt: Doubt, key: &'static str, u: Option<f64>) {
        match u {
            Some(u) if u > 0.0 => self.known.push((doubt, u)),
            Some(_) => {}
            None => self.not_told.push(key),
        }
    }

    /// Membrane and case with one thing off by this.
    fn off(
        &self,
        doubt: Doubt,
        by: f64,
        membrane: &Membrane,
        case: &Operation,
    ) -> (Membrane, Operation) {
        let (mut membrane, mut case) = (*membrane, *case);
        let moved = (by * (1.0 / KELVIN_25 - 1.0 / (case.temperature + KELVIN_0))).exp();
        match doubt {
            Doubt::Column(Column::FeedTemperature) => case.temperature += by,
            Doubt::Column(Column::FeedPressure) => case.drive_value += by,
            Doubt::Column(Column::PermeatePressure) => case.permeate_pressure += by,
            Doubt::Column(Column::ConcentrateFlow) => case.drain_value += by,
            Doubt::Column(Column::RecycleFlow) => case.recycle_flow += by,
            // Salt, by its meter or its rule. More osmotic pressure is as more salt, for the flow.
            Doubt::Column(_) | Doubt::TdsPerConductivity | Doubt::OsmoticPressure => {
                case.feed_tds *= 1.0 + by;
            }
            Doubt::TemperatureLaw => {
                membrane.water_permeability *= moved;
                if !self.salt_has_own_law {
                    membrane.salt_permeability *= moved;
                }
            }
            Doubt::SaltTemperatureLaw => membrane.salt_permeability *= moved,
            Doubt::RatedFlow => membrane.water_permeability *= 1.0 + by,
            Doubt::RatedRejection => membrane.salt_permeability *= 1.0 + by,
        }
        (membrane, case)
    }
}

impl Train {
    /// What a unit that is set by its feed pressure and its concentrate is expected to make, each figure with an interval.
    ///
    /// u²(y) = Σ (∂y/∂x u(x))², each slope by a central difference over ±u(x) through the model; evenly likely limits of error
    /// ±a count as a/√3; the interval is u times a normal quantile, cut off at zero.
    ///
    /// # Errors
    /// [`Error::Range`] for a level outside 0.5 to 0.999, and for a case out of the ranges of the laws.
    ///
    /// ```
    /// use brinemark::membrane::expected::Doubts;
    /// use brinemark::membrane::operate::{Drain, Drive, Operation};
    /// use brinemark::membrane::train::{Membrane, Train};
    /// let text = brinemark::site::TEMPLATE
    ///     .replace("# length", "length").replace("# feed_spacer", "feed_spacer")
    ///     .replace("# rated_", "rated_").replace("# test_", "test_");
    /// let site = brinemark::Site::parse(&text)?;
    /// let case = Operation {
    ///     temperature: 12.0, feed_tds: 1000.0, permeate_pressure: 0.3, recycle_flow: 0.0,
    ///     drain: Drain::ConcentrateFlow, drain_value: 5.0, drive: Drive::FeedPressure, drive_value: 12.0,
    /// };
    /// let doubts = Doubts::of_site(&site, &case, true);
    /// let made = Train::new(&site, None)?.expected(&Membrane::rated(&site)?, &case, &doubts, 0.9)?;
    /// let flow = made.permeate_flow.estimate;
    /// assert!(flow.low < flow.value && flow.value < flow.high);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn expected(
        &self,
        membrane: &Membrane,
        case: &Operation,
        doubts: &Doubts,
        level: f64,
    ) -> Result<Expected, Error> {
        setting("level", level, (0.5, 0.999), "")?;
        let mut pairs = vec![(*membrane, *case)];
        for (doubt, u) in &doubts.known {
            pairs.push(doubts.off(*doubt, *u, membrane, case));
            pairs.push(doubts.off(*doubt, -u, membrane, case));
        }
        let (coldest, warmest) = self.temperature_range();
        for (_, case) in &mut pairs[1..] {
            // Nothing runs backwards, and no water is colder than the laws know.
            case.drain_value = case.drain_value.max(0.0);
            case.recycle_flow = case.recycle_flow.max(0.0);
            case.temperature = case.temperature.max(coldest).min(warmest);
        }
        let (membranes, cases): (Vec<Membrane>, Vec<Operation>) = pairs.into_iter().unzip();
        let worked = self.work(&membranes, &cases)?;
        let normal = Normal::standard();
        let times = normal.inverse_cdf(0.5 + 0.5 * level);
        let figure = |unit: &'static Unit, of: &dyn Fn(&Working) -> f64, by_osmotic: bool| {
            let mut parts: Vec<(Doubt, f64)> = doubts
                .known
                .iter()
                .zip(worked[1..].chunks_exact(2))
                .filter(|((doubt, _), _)| by_osmotic || *doubt != Doubt::OsmoticPressure)
                .map(|((doubt, _), pair)| (*doubt, (0.5 * (of(&pair[0]) - of(&pair[1]))).powi(2)))
                .collect();
            let variance: f64 = parts.iter().map(|(_, part)| part).sum();
            for (_, part) in &mut parts {
                *part /= variance;
            }
            parts.sort_by(|a, b| b.1.total_cmp(&a.1));
            let (value, off) = (of(&worked[0]), times * variance.sqrt());
            Figure {
                estimate: Estimate {
                    value,
                    low: (value - off).max(0.0),
                    high: value + off,
                    level,
                    unit: unit.word,
                    n: 0,
                    method: METHOD,
                    budget: None,
                },
                shares: parts,
            }
        };
        let of = |column: Column| column.quantity().canonical();
        Ok(Expected {
            working: worked[0],
            permeate_flow: figure(of(Column::PermeateFlow), &|at| at.permeate_flow, true),
            permeate_tds: figure(of(Column::PermeateTds), &|at| at.permeate_tds, false),
            differential_pressure: figure(
                of(Column::DifferentialPressure),
                &|at| at.feed_pressure - at.concentrate_pressure,
                true,
            ),
            recovery: figure(
                crate::units::Quantity::Fraction.canonical(),
                &|at| at.recovery,
                true,
            ),
        })
    }
}

#[cfg(test)]
mod tests {
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, Uniform};

    use super::*;
    use crate::membrane::operate::{Drain, Drive};

    const MORE: &str = "
[instruments]
feed_temperature = { accuracy = \"0.5 degC\" }
feed_pressure = { accuracy = \"0.2 bar\", resolution = \"0.2 bar\" }
permeate_pressure = { accuracy = \"0.05 bar\" }
concentrate_flow = { accuracy = \"3 % of 10 m3/h\", resolution = \"0.1 m3/h\" }
feed_tds = { accuracy = \"4 % of reading\" }
";

    fn site() -> Site {
        let text = crate::site::TEMPLATE
            .replace("# length", "length")
            .replace("# feed_spacer", "feed_spacer")
            .replace("# rated_", "rated_")
            .replace("# test_", "test_")
            .replace("# accuracy = \"400 K\"", "accuracy = \"400 K\"");
        Site::parse(&(text + MORE)).unwrap()
    }

    fn case() -> Operation {
        Operation {
            temperature: 9.0,
            feed_tds: 1200.0,
            permeate_pressure: 0.3,
            recycle_flow: 0.0,
            drain: Drain::ConcentrateFlow,
            drain_value: 4.0,
            drive: Drive::FeedPressure,
            drive_value: 12.0,
        }
    }

    /// Limits of error drawn evenly, through the model itself.
    #[test]
    fn intervals_hold_what_chance_brings() {
        let (site, case) = (site(), case());
        let train = Train::new(&site, None).unwrap();
        let membrane = Membrane::rated(&site).unwrap();
        let doubts = Doubts::of_site(&site, &case, true);
        let found = train.expected(&membrane, &case, &doubts, 0.9).unwrap();
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let evenly = Uniform::new_inclusive(-1.0 / EVENLY, 1.0 / EVENLY).unwrap();
        let draws = 1500;
        let pairs: Vec<(Membrane, Operation)> = (0..draws)
            .map(|_| {
                doubts
                    .known
                    .iter()
                    .filter(|(doubt, _)| *doubt != Doubt::OsmoticPressure)
                    .fold((membrane, case), |(membrane, case), (doubt, u)| {
                        doubts.off(*doubt, evenly.sample(&mut random) * u, &membrane, &case)
                    })
            })
            .collect();
        let (membranes, cases): (Vec<_>, Vec<_>) = pairs.into_iter().unzip();
        let worked = train.work(&membranes, &cases).unwrap();
        for (figure, of) in [
            (
                &found.permeate_flow,
                (|at| at.permeate_flow) as fn(&Working) -> f64,
            ),
            (&found.permeate_tds, |at| at.permeate_tds),
            (&found.differential_pressure, |at| {
                at.feed_pressure - at.concentrate_pressure
            }),
            (&found.recovery, |at| at.recovery),
        ] {
            let (low, high) = (figure.estimate.low, figure.estimate.high);
            let held = worked
                .iter()
                .filter(|at| (low..=high).contains(&of(at)))
                .count();
            let share = held as f64 / f64::from(draws);
            // Where one evenly spread source is nearly all of u, more than 90 % are held.
            assert!((0.87..=0.97).contains(&share), "{share} {figure:?}");
            assert!((figure.shares.iter().map(|(_, part)| part).sum::<f64>() - 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn what_is_not_told_is_named_and_widens_nothing() {
        let plain = crate::site::TEMPLATE
            .replace("# length", "length")
            .replace("# feed_spacer", "feed_spacer");
        let site = Site::parse(&plain).unwrap();
        let doubts = Doubts::of_site(&site, &case(), true);
        assert!(doubts.known.is_empty());
        for key in [
            "feed_pressure",
            "temperature.accuracy",
            "element.rated_permeate_flow_tolerance",
        ] {
            assert!(doubts.not_told.contains(&key), "{key}");
        }
        // A membrane that was found behind readings has no rating to be off by.
        let found = Doubts::of_site(&site, &case(), false);
        assert!(
            !found
                .not_told
                .contains(&"element.rated_permeate_flow_tolerance")
        );
    }
}
