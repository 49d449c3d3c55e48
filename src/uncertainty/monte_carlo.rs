//! The same by chance: errors are drawn, and each draw is worked out (JCGM 101:2008).
//!
//! It is the second way beside the law of propagation: no derivatives, no assumption that figures follow errors in straight
//! lines, and intervals of whatever shape comes out. What a source is off by is drawn evenly within its limit, once
//! for the reading and its reference; a resolution evenly within a step; a repeatability from the normal distribution.
//!
//! All rows share one set of draws, made from the seed in a fixed order. Each row's figures are as good as if it had its own;
//! they are the same for any number of threads, and any cut of the log.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, Uniform};
use rayon::prelude::*;

use super::errors::{ErrorModel, OfReference, SOURCES, Sizes};
use crate::buffer::{Values, fill_columns};
use crate::error::{Error, Fault, within};
use crate::normalise::reading::{Conditions, Laws};
use crate::normalise::{Normalised, Output, Prepared};
use crate::number::Lanes;
use crate::units::Unit;

/// Draws worked out at a time.
const BLOCK: usize = 64;

/// Settings of [`Normalised::monte_carlo`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonteCarloSettings {
    /// How many draws, 100 to 1 000 000. (JCGM 101 advises 10⁶ for an interval to two digits; 1000 give u to 2 %.)
    pub draws: usize,
    /// The same seed gives the same figures.
    pub seed: u64,
    /// How often intervals shall hold the true figure.
    pub level: f64,
}

impl Default for MonteCarloSettings {
    fn default() -> Self {
        Self {
            draws: 1000,
            seed: 1,
            level: 0.90,
        }
    }
}

/// What came out for one output, a figure a row; NaN where the row was set aside.
#[derive(Debug, Clone)]
pub struct Simulated {
    /// The output.
    pub output: Output,
    /// The unit in which it is shown. The figures here are canonical.
    pub unit: &'static Unit,
    /// Mean of the draws.
    pub mean: Values,
    /// Their standard deviation.
    pub u: Values,
    /// The lower end of the interval that leaves as many draws below it as above its upper end.
    pub low: Values,
    /// The upper end.
    pub high: Values,
}

/// The outcome of a simulation.
#[derive(Debug, Clone)]
pub struct MonteCarlo {
    /// The outputs asked for.
    pub simulated: Vec<Simulated>,
    /// With these settings.
    pub settings: MonteCarloSettings,
}

/// Draws of unit variance, by source.
struct Draws {
    /// What is off.
    off_by: Vec<Vec<f64>>,
    /// What is off after a calibration.
    off_by_after: Vec<Vec<f64>>,
    /// What scatters in the reading.
    scatter: Vec<Vec<f64>>,
    /// What scatters in the reference.
    of_reference: Vec<Vec<f64>>,
}

impl Draws {
    fn new(errors: &ErrorModel, settings: &MonteCarloSettings) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(settings.seed);
        let blocks = settings.draws.div_ceil(BLOCK) * BLOCK;
        let sources = errors.sources.len();
        let mut draw = |evenly: &dyn Fn(usize) -> bool| -> Vec<Vec<f64>> {
            (0..sources)
                .map(|source| {
                    (0..blocks)
                        .map(|_| match Uniform::new(-(3.0_f64.sqrt()), 3.0_f64.sqrt()) {
                            Ok(even) if evenly(source) => even.sample(&mut random),
                            _ => StandardNormal.sample(&mut random),
                        })
                        .collect()
                })
                .collect()
        };
        Self {
            off_by: draw(&|_| true),
            off_by_after: draw(&|_| true),
            scatter: draw(&|source| errors.sources[source].scatters_evenly()),
            // A median of many readings.
            of_reference: draw(&|_| false),
        }
    }
}

impl Normalised {
    /// Standard uncertainties and intervals of outputs, every row, by Monte Carlo.
    ///
    /// # Errors
    /// [`Error::Site`] where the site file tells nothing of the instruments; [`Error::Range`] for settings out of range;
    /// [`Error::MissingColumn`] for an output that is not in the result, or is one of the membrane model, whose uncertainty
    /// is by propagation alone.
    pub fn monte_carlo(
        &self,
        outputs: &[&str],
        settings: &MonteCarloSettings,
    ) -> Result<MonteCarlo, Error> {
        within("draws", settings.draws as f64, (100.0, 1e6), "")?;
        within("level", settings.level, (0.5, 0.999), "")?;
        let errors = self.known_errors()?;
        let outputs = outputs
            .iter()
            .map(|name| self.simulable(name))
            .collect::<Result<Vec<Output>, Error>>()?;
        let draws = Draws::new(errors, settings);
        let rows = self.log.table.len();
        let (_, groups) = self.log.table.groups();
        let references: Vec<Vec<Vec<f64>>> = self
            .prepared
            .iter()
            .map(|group| of_reference(group, errors, &draws, &outputs))
            .collect();
        const ROWS: usize = 32;
        let columns = fill_columns(4 * outputs.len(), rows, |columns| {
            let mut parts: Vec<Vec<&mut [f64]>> =
                (0..rows.div_ceil(ROWS)).map(|_| Vec::new()).collect();
            for column in columns {
                for (piece, part) in column.chunks_mut(ROWS).zip(&mut parts) {
                    part.push(piece);
                }
            }
            let arch = pulp::Arch::new();
            parts.par_iter_mut().enumerate().for_each(|(at, part)| {
                arch.dispatch(Simulation {
                    result: self,
                    errors,
                    draws: &draws,
                    outputs: &outputs,
                    groups: &groups,
                    references: &references,
                    settings,
                    start: at * ROWS,
                    part,
                });
            });
        });
        let simulated = outputs
            .iter()
            .zip(columns.chunks(4))
            .map(|(output, columns)| Simulated {
                output: *output,
                unit: self
                    .series
                    .iter()
                    .find(|series| series.name == output.name())
                    .map_or(output.canonical_unit(), |series| series.unit),
                mean: columns[0].clone(),
                u: columns[1].clone(),
                low: columns[2].clone(),
                high: columns[3].clone(),
            })
            .collect();
        Ok(MonteCarlo {
            simulated,
            settings: *settings,
        })
    }

    fn simulable(&self, name: &str) -> Result<Output, Error> {
        Output::named(name)
            .filter(|output| self.outputs.contains(output) && !output.is_of_model())
            .ok_or_else(|| {
                let known: Vec<&str> = self
                    .outputs
                    .iter()
                    .filter(|output| !output.is_of_model())
                    .map(|output| output.name())
                    .collect();
                Error::MissingColumn(
                    Fault::new(
                        "not a figure that can be simulated",
                        format!("one of: {}", known.join(", ")),
                    )
                    .at_column("outputs")
                    .with_value(name)
                    .into(),
                )
            })
    }
}

/// One block of draws of a group's outputs at some conditions.
#[inline(always)]
fn worked(
    group: &Prepared,
    errors: &ErrorModel,
    at: &Conditions,
    drawn: &[Lanes<BLOCK>; SOURCES],
    outputs: &[Output],
    mut take: impl FnMut(usize, [f64; BLOCK]),
) {
    let (conditions, laws) = errors.lean(at, drawn);
    let conditions = conditions.map(|Lanes(figures)| figures);
    let mut of_each = [Laws::of(0.0); BLOCK];
    for (i, of_one) in of_each.iter_mut().enumerate() {
        *of_one = Laws {
            temperature_k: laws.temperature_k.0[i],
            salt_temperature_k: laws.salt_temperature_k.0[i],
            osmotic_share: laws.osmotic_share.0[i],
        };
    }
    let state = group
        .model
        .states(&conditions, errors.has_laws().then_some(&of_each));
    let figures = group.model.figures_of(
        &conditions,
        &state,
        (&group.conditions, &group.state, group.viscosity),
    );
    for (at, output) in outputs.iter().enumerate() {
        take(
            at,
            output.of_block(&state, &figures, None, &group.reference),
        );
    }
}

/// By how much each draw moves the reference's own figure, a factor for each output and draw.
fn of_reference(
    group: &Prepared,
    errors: &ErrorModel,
    draws: &Draws,
    outputs: &[Output],
) -> Vec<Vec<f64>> {
    let Some(reference) = &group.errors else {
        return Vec::new();
    };
    let sizes = reference.sizes();
    let mut factors = vec![Vec::new(); outputs.len()];
    let blocks = draws.off_by.first().map_or(0, |drawn| drawn.len() / BLOCK);
    let mut unmoved = vec![f64::NAN; outputs.len()];
    // First without any errors, then with those drawn.
    for block in std::iter::once(None).chain((0..blocks).map(Some)) {
        let drawn = std::array::from_fn(|source| match block {
            None => Lanes([0.0; BLOCK]),
            Some(block) => errors_of(source, block, &sizes, &draws.off_by, &draws.of_reference),
        });
        worked(
            group,
            errors,
            &group.conditions,
            &drawn,
            outputs,
            |at, values| match block {
                None => unmoved[at] = 1.0 + values[0],
                Some(_) => {
                    let moved = values.iter().map(|value| (1.0 + value) / unmoved[at]);
                    factors[at].extend(moved);
                }
            },
        );
    }
    factors
}

/// A block of errors of one source.
#[inline(always)]
fn errors_of(
    source: usize,
    block: usize,
    sizes: &Sizes,
    off_by: &[Vec<f64>],
    scatter: &[Vec<f64>],
) -> Lanes<BLOCK> {
    let mut errors = [0.0; BLOCK];
    let (Some(off_by), Some(scatter)) = (off_by.get(source), scatter.get(source)) else {
        return Lanes(errors);
    };
    let place = block * BLOCK..(block + 1) * BLOCK;
    let (off_by, scatter) = (&off_by[place.clone()], &scatter[place]);
    for i in 0..BLOCK {
        errors[i] = off_by[i] * sizes.off_by[source] + scatter[i] * sizes.scatter[source];
    }
    Lanes(errors)
}

/// Some rows, simulated; compiled once for each kind of processor.
struct Simulation<'a, 'b> {
    result: &'a Normalised,
    errors: &'a ErrorModel,
    draws: &'a Draws,
    outputs: &'a [Output],
    groups: &'a [u32],
    references: &'a [Vec<Vec<f64>>],
    settings: &'a MonteCarloSettings,
    start: usize,
    part: &'a mut Vec<&'b mut [f64]>,
}

impl pulp::WithSimd for Simulation<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let rows = self.part.first().map_or(0, |column| column.len());
        let count = self.settings.draws;
        let mut values = vec![Vec::with_capacity(count + BLOCK); self.outputs.len()];
        let mut order = Vec::with_capacity(count);
        for at in 0..rows {
            let row = self.start + at;
            if !self.result.reasons[row].is_empty() {
                self.part
                    .iter_mut()
                    .for_each(|column| column[at] = f64::NAN);
                continue;
            }
            let of_group = self.groups[row] as usize;
            let group = &self.result.prepared[of_group];
            let conditions = self.result.inputs.conditions(row);
            let time_us = self.result.log.table.time[row];
            let sizes = self.errors.sizes(&conditions, time_us);
            let calibrated = match &group.errors {
                Some(OfReference { end_us, .. }) => {
                    self.errors.calibrated_between(*end_us, time_us)
                }
                None => [false; SOURCES],
            };
            values.iter_mut().for_each(Vec::clear);
            for block in 0..count.div_ceil(BLOCK) {
                let mut drawn = [Lanes([0.0; BLOCK]); SOURCES];
                for (source, drawn) in drawn.iter_mut().enumerate() {
                    let off_by = if calibrated[source] {
                        &self.draws.off_by_after
                    } else {
                        &self.draws.off_by
                    };
                    *drawn = errors_of(source, block, &sizes, off_by, &self.draws.scatter);
                }
                worked(
                    group,
                    self.errors,
                    &conditions,
                    &drawn,
                    self.outputs,
                    |output, found| {
                        values[output].extend_from_slice(&found);
                    },
                );
            }
            for (output, values) in values.iter_mut().enumerate() {
                values.truncate(count);
                let factors = self.references[of_group].get(output);
                if let Some(factors) = factors.filter(|_| self.outputs[output].is_change()) {
                    for (value, factor) in values.iter_mut().zip(factors) {
                        *value = (1.0 + *value) / factor - 1.0;
                    }
                }
                let found = summary(values, self.settings.level, &mut order);
                for (column, figure) in self.part[4 * output..].iter_mut().zip(found) {
                    column[at] = figure;
                }
            }
        }
    }
}

/// Mean, standard deviation and the ends of the symmetric interval (JCGM 101, 7.6 and 7.7). `order` is room to work in.
#[inline(always)]
fn summary(values: &[f64], level: f64, order: &mut Vec<u64>) -> [f64; 4] {
    let n = values.len() as f64;
    let mean = sum_of(values, |value| value) / n;
    let squares = sum_of(values, |value| (value - mean) * (value - mean));
    let u = (squares / (n - 1.0)).sqrt();
    if u.is_nan() {
        return [f64::NAN; 4];
    }
    // Whole numbers in the order of the figures: those are compared at once.
    order.clear();
    order.extend(values.iter().map(|value| ordered(value.to_bits())));
    // The r-th smallest with r = (1 − level)/2 · n leaves that share below.
    let last = order.len() - 1;
    let below = (((0.5 - 0.5 * level) * n).round() as usize).min(last);
    let (_, low, above) = order.select_nth_unstable(below);
    let low = *low;
    // The other end, counted from what lies above.
    let high = match (last - below).checked_sub(below + 1) {
        Some(place) => *above.select_nth_unstable(place).1,
        None => low,
    };
    [
        mean,
        u,
        f64::from_bits(figure_of(low)),
        f64::from_bits(figure_of(high)),
    ]
}

/// A sum in several strands, which a processor works on side by side.
#[inline(always)]
fn sum_of(values: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    const STRANDS: usize = 16;
    let mut sums = [0.0; STRANDS];
    let mut pieces = values.chunks_exact(STRANDS);
    for piece in &mut pieces {
        for i in 0..STRANDS {
            sums[i] += of(piece[i]);
        }
    }
    let rest: f64 = pieces.remainder().iter().map(|value| of(*value)).sum();
    sums.iter().sum::<f64>() + rest
}

const SIGN: u64 = 1 << 63;

/// The bits of a figure as a whole number that orders as the figures do.
#[inline(always)]
fn ordered(bits: u64) -> u64 {
    if bits & SIGN == 0 { bits | SIGN } else { !bits }
}

/// Back to the bits of the figure.
#[inline(always)]
fn figure_of(order: u64) -> u64 {
    if order & SIGN == 0 {
        !order
    } else {
        order & !SIGN
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_summary_is_that_of_sorted_figures(values in proptest::collection::vec(-1e3..1e3_f64, 2..300), level in 0.5..0.99_f64) {
            let [mean, u, low, high] = summary(&values, level, &mut Vec::new());
            let n = values.len() as f64;
            let plain = values.iter().sum::<f64>() / n;
            prop_assert!((mean - plain).abs() < 1e-9);
            let squares: f64 = values.iter().map(|value| (value - plain).powi(2)).sum();
            prop_assert!((u - (squares / (n - 1.0)).sqrt()).abs() < 1e-9);
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            let below = ((0.5 - 0.5 * level) * n).round() as usize;
            let last = sorted.len() - 1;
            prop_assert_eq!(low, sorted[below.min(last)]);
            prop_assert_eq!(high, sorted[(last - below.min(last)).max(below.min(last))]);
        }
    }
}
