//! Fits every suspect to the relations of one train and stage, and weighs them.

use super::filter::{Filter, Wander};
use super::relations::{COUNT, INSTRUMENTS, Relation, relations};
use super::{Evidence, Suspect, Verdict};
use crate::log::{Column, Log};
use crate::number::Dual;
use crate::screen::Readings;
use crate::site::{EventKind, Site};
use crate::stats::median;
use crate::table::Group;
use crate::units::Quantity;

/// Bins of a log's whole time.
const BINS: usize = 256;
/// Readings of a bin that are worked out; of more, evenly spread ones.
const OF_A_BIN: usize = 48;
/// With fewer bins nothing is told.
const FEWEST_BINS: usize = 12;
/// No more is looked for in one train and stage: verdicts, and changes of the membranes together with them.
const MOST_VERDICTS: usize = 6;
const MOST_CHANGES: usize = 40;
/// How much better than nothing an explanation must be, as a difference of log-likelihoods after its penalty.
const LEAST_GAIN: f64 = 6.0;
/// A fit that is smaller than this share of the usual figure is no verdict: laws and factors are not that good.
const SMALLEST: f64 = 0.01;
/// How far instruments usually go wrong before somebody sees it, as a share of the usual figure (common practice, no source):
/// what only a meter at a tenth of the truth would explain is rather the membranes.
const USUAL_FAULT: f64 = 0.35;
/// By how much a relation may wander from day to day without surprise, at the least and at the most. Membranes: 0.5 % (10 % in
/// a year, as a random walk) or whatever they do. The balances, whose instruments have little errors of their own that
/// follow temperature and the like: 0.03 to 0.05 %, since what wanders more than that is an instrument that drifts.
const MEMBRANES_A_DAY: (f64, f64) = (5e-3, f64::INFINITY);
const BALANCES_A_DAY: (f64, f64) = (3e-4, 5e-4);
/// A normal quantile: 90 % lie within so many standard deviations.
const NINETY: f64 = 1.645;

/// A shape: nothing before `start`, then up to 1 at `end`, straight; a step where both are one.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Shape {
    start: usize,
    end: usize,
}

impl Shape {
    fn at(self, bin: usize) -> f64 {
        if bin < self.start {
            0.0
        } else if bin >= self.end {
            1.0
        } else {
            (bin - self.start) as f64 / (self.end - self.start) as f64
        }
    }
}

/// One relation's series, through its filter.
struct OfRelation {
    relation: Relation,
    /// What is new in it; less and less as verdicts are taken out.
    new: Vec<f64>,
    /// How it leans on each instrument.
    slopes: [f64; COUNT],
    /// Each shape, through the filter, and its square.
    shapes: Vec<(Vec<f64>, f64)>,
}

pub(super) struct Fit<'a> {
    site: &'a Site,
    group: &'a Group,
    /// When each bin with readings begins.
    starts: Vec<i64>,
    columns: [Option<Column>; COUNT],
    usual: [f64; COUNT],
    of_relations: Vec<OfRelation>,
    shapes: Vec<Shape>,
}

/// How well an explanation does at its best shape.
#[derive(Debug, Clone, Copy)]
struct Explanation {
    suspect: Suspect,
    /// Which instrument.
    slot: Option<usize>,
    shape: usize,
    /// Gain in log-likelihood, less its penalty.
    gain: f64,
}

impl<'a> Fit<'a> {
    /// None where the log has too little to tell anything.
    pub fn new(log: &Log, site: &'a Site, group: &'a Group, rows: &[usize]) -> Option<Self> {
        let (first, last) = (*rows.first()?, *rows.last()?);
        let time = &log.table.time;
        let span = time[last].checked_sub(time[first])?.max(1);
        let bin_us = (span / BINS as i64).max(1) + 1;
        let bins: Vec<&[usize]> = rows
            .chunk_by(|a, b| (time[*a] - time[first]) / bin_us == (time[*b] - time[first]) / bin_us)
            .collect();
        if bins.len() < FEWEST_BINS {
            return None;
        }
        let thinned: Vec<usize> = bins
            .iter()
            .flat_map(|rows| rows.iter().copied().step_by(rows.len().div_ceil(OF_A_BIN)))
            .collect();
        let readings = Readings::of(log, &thinned);
        let by_gauge = readings.get(Column::DifferentialPressure).is_some();
        let sources = INSTRUMENTS.map(|column| match column {
            Column::FeedTds | Column::PermeateTds | Column::ConcentrateTds => {
                readings.salt(column, site, 0..readings.len())
            }
            Column::ConcentratePressure if by_gauge => {
                let gauge = Column::DifferentialPressure;
                readings.get(gauge).map(|values| (gauge, values.to_vec()))
            }
            _ => readings.get(column).map(|values| (column, values.to_vec())),
        });
        let assumed =
            INSTRUMENTS.map(|column| site.assume.get(&column).map(|assumed| assumed.value));
        let reading = |row: usize| -> [f64; COUNT] {
            std::array::from_fn(|slot| match &sources[slot] {
                Some((_, values)) => values[row],
                None => assumed[slot].unwrap_or(f64::NAN),
            })
        };
        // Medians of each bin: of what the instruments show, and of the relations.
        let (mut shown, mut related) = (Vec::new(), Vec::new());
        let mut from = 0;
        for rows in &bins {
            let count = rows.len().div_ceil(rows.len().div_ceil(OF_A_BIN));
            let of_bin: Vec<[f64; COUNT]> = (from..from + count).map(reading).collect();
            from += count;
            let found: Vec<[f64; 7]> = of_bin
                .iter()
                .map(|x| relations(x, by_gauge, site))
                .collect();
            shown.push(medians(&of_bin));
            related.push(medians(&found));
        }
        let usual: [f64; COUNT] = medians(&shown);
        let columns = sources.map(|source| source.map(|(column, _)| column));
        let leaning = relations(
            &std::array::from_fn(|slot| Dual::<COUNT>::variable(usual[slot], slot)),
            by_gauge,
            site,
        );
        let starts: Vec<i64> = bins.iter().map(|rows| time[rows[0]]).collect();
        let shapes = shapes(bins.len());
        let per_bin = bin_us as f64 / 8.64e10;
        let cleaned = free_places(site, &starts);
        let of_relations: Vec<OfRelation> = Relation::ALL
            .iter()
            .enumerate()
            .filter_map(|(at, relation)| {
                let series: Vec<f64> = related.iter().map(|of_bin| of_bin[at]).collect();
                let (a_day, free) = if relation.is_of_membranes() {
                    (MEMBRANES_A_DAY, cleaned.as_slice())
                } else {
                    (BALANCES_A_DAY, [].as_slice())
                };
                let wander = Wander::of(
                    &series,
                    a_day.0 * a_day.0 * per_bin,
                    a_day.1 * a_day.1 * per_bin,
                )?;
                let filter = Filter::of(&series, wander, free);
                let slopes = std::array::from_fn(|slot| {
                    let slope = leaning[at].slopes[slot];
                    let slope = if is_share(INSTRUMENTS[slot]) {
                        slope * usual[slot]
                    } else {
                        slope
                    };
                    if slope.is_finite() && columns[slot].is_some() {
                        slope
                    } else {
                        0.0
                    }
                });
                let new = filter.new_in(|bin| series[bin]);
                let shapes = shapes.iter().map(|shape| {
                    let new = filter.new_in(|bin| shape.at(bin));
                    let square = dot(&new, &new);
                    (new, square)
                });
                Some(OfRelation {
                    relation: *relation,
                    shapes: shapes.collect(),
                    new,
                    slopes,
                })
            })
            .collect();
        Some(Self {
            site,
            group,
            starts,
            columns,
            usual,
            of_relations,
            shapes,
        })
    }

    /// One after the other, the likeliest first; each is taken out before the next is looked for.
    pub fn verdicts(mut self) -> Vec<Verdict> {
        let mut verdicts = Vec::new();
        for _ in 0..MOST_CHANGES {
            let products = self.products();
            let mut explanations = self.explanations(&products);
            explanations.sort_by(|a, b| b.gain.total_cmp(&a.gain));
            let Some(best) = explanations
                .first()
                .copied()
                .filter(|best| best.gain > LEAST_GAIN)
            else {
                break;
            };
            if let Some(slot) = best.slot
                && let Some(verdict) = self.verdict(slot, &best, &explanations, &products)
            {
                verdicts.push(verdict);
            }
            self.take_out(&best, &products);
            if verdicts.len() == MOST_VERDICTS {
                break;
            }
        }
        verdicts
    }

    /// Of each relation with each shape, the product of what is new in both.
    fn products(&self) -> Vec<Vec<f64>> {
        self.of_relations
            .iter()
            .map(|of| {
                of.shapes
                    .iter()
                    .map(|(shape, _)| dot(shape, &of.new))
                    .collect()
            })
            .collect()
    }

    /// An instrument's amplitude at a shape, its variance, and the gain.
    fn amplitude(&self, slot: usize, shape: usize, products: &[Vec<f64>]) -> (f64, f64, f64) {
        let (mut product, mut square) = (0.0, 0.0);
        for (of, products) in self.of_relations.iter().zip(products) {
            product += of.slopes[slot] * products[shape];
            square += of.slopes[slot] * of.slopes[slot] * of.shapes[shape].1;
        }
        if square > 0.0 {
            (
                product / square,
                1.0 / square,
                product * product / square / 2.0,
            )
        } else {
            (0.0, f64::INFINITY, 0.0)
        }
    }

    /// An error of an instrument as a share of its usual figure; of 20 degC for a thermometer.
    fn of_usual(&self, slot: usize, off_by: f64) -> f64 {
        match INSTRUMENTS[slot].quantity() {
            _ if is_share(INSTRUMENTS[slot]) => off_by,
            Quantity::Temperature => off_by / 20.0,
            _ => off_by / self.usual[slot],
        }
    }

    /// Every suspect at its best shape.
    fn explanations(&self, products: &[Vec<f64>]) -> Vec<Explanation> {
        // One figure for the size; where and how long are the same for all.
        let of_parameter = (self.starts.len() as f64).ln() / 2.0;
        let of_place = (self.shapes.len() as f64).ln();
        let best = |suspect, slot, parameters: f64, gain: &dyn Fn(usize) -> f64| {
            let (shape, gain) = (0..self.shapes.len())
                .map(|shape| (shape, gain(shape)))
                .fold((0, f64::NEG_INFINITY), |best, next| {
                    if next.1 > best.1 { next } else { best }
                });
            Explanation {
                suspect,
                slot,
                shape,
                gain: gain - parameters * of_parameter - of_place,
            }
        };
        let mut explanations = Vec::new();
        for (slot, column) in self.columns.iter().enumerate() {
            let Some(column) = column else { continue };
            let gain = |shape| {
                let (off_by, _, gain) = self.amplitude(slot, shape, products);
                gain - 0.5 * (self.of_usual(slot, off_by) / USUAL_FAULT).powi(2)
            };
            explanations.push(best(Suspect::Instrument(*column), Some(slot), 1.0, &gain));
        }
        // The membranes move one of three relations, or two, or all.
        let of_membranes: Vec<usize> = (0..self.of_relations.len())
            .filter(|at| self.of_relations[*at].relation.is_of_membranes())
            .collect();
        for choice in 1..1_usize << of_membranes.len() {
            let chosen: Vec<usize> = of_membranes
                .iter()
                .enumerate()
                .filter(|(at, _)| choice & (1 << at) != 0)
                .map(|(_, relation)| *relation)
                .collect();
            let gain = |shape: usize| {
                let of = |at: &usize| {
                    let square = self.of_relations[*at].shapes[shape].1;
                    if square > 0.0 {
                        products[*at][shape].powi(2) / square / 2.0
                    } else {
                        0.0
                    }
                };
                chosen.iter().map(of).sum::<f64>()
            };
            explanations.push(best(Suspect::Membranes, None, chosen.len() as f64, &gain));
        }
        explanations
    }

    fn verdict(
        &self,
        slot: usize,
        best: &Explanation,
        explanations: &[Explanation],
        products: &[Vec<f64>],
    ) -> Option<Verdict> {
        let column = self.columns[slot]?;
        let (off_by, variance, gain) = self.amplitude(slot, best.shape, products);
        let is_share = is_share(INSTRUMENTS[slot]);
        let of_usual = self.of_usual(slot, off_by);
        if !(of_usual.abs() >= SMALLEST) {
            return None;
        }
        // Odds by the gains; that it is nothing at all is one of them.
        let mut suspects: Vec<(Suspect, f64)> = Vec::new();
        let weight = |gain: f64| (gain - best.gain).exp();
        let whole = explanations
            .iter()
            .map(|other| weight(other.gain))
            .sum::<f64>()
            + weight(0.0);
        for other in explanations {
            let odds = weight(other.gain) / whole;
            match suspects
                .iter_mut()
                .find(|(suspect, _)| *suspect == other.suspect)
            {
                Some((_, sum)) => *sum += odds,
                None => suspects.push((other.suspect, odds)),
            }
        }
        suspects.sort_by(|a, b| b.1.total_cmp(&a.1));
        suspects.retain(|(_, odds)| *odds >= 0.005);
        let shape = self.shapes[best.shape];
        // Where it may have begun: all beginnings whose best shape does nearly as well.
        let near =
            |at: &usize| self.amplitude(slot, *at, products).2 > gain - NINETY * NINETY / 2.0;
        let begins: Vec<usize> = (0..self.shapes.len())
            .filter(near)
            .map(|at| self.shapes[at].start)
            .chain([shape.start])
            .collect();
        let least = begins.iter().min().copied().unwrap_or(shape.start);
        let most = begins.iter().max().copied().unwrap_or(shape.start);
        let half = NINETY * variance.sqrt();
        let evidence = self.evidence(slot, best.shape, off_by, products);
        let may_be_a_cleaning = may_be_a_cleaning(column, off_by, &evidence);
        Some(Verdict {
            group: self.group.clone(),
            column,
            since_us: self.starts[shape.start],
            since_interval_us: (self.starts[least.saturating_sub(1)], self.starts[most]),
            whole_us: self.starts[shape.end],
            off_by,
            off_by_interval: (off_by - half, off_by + half),
            is_share,
            of_usual,
            is_sure: !may_be_a_cleaning
                && suspects.iter().any(|(suspect, odds)| {
                    *suspect == Suspect::Instrument(column)
                        && *odds >= self.site.screen.sensor_certainty
                }),
            suspects,
            evidence,
        })
    }

    fn evidence(
        &self,
        slot: usize,
        shape: usize,
        off_by: f64,
        products: &[Vec<f64>],
    ) -> Vec<Evidence> {
        self.of_relations
            .iter()
            .zip(products)
            .filter(|(of, _)| of.shapes[shape].1 > 0.0)
            .map(|(of, products)| Evidence {
                relation: of.relation.words(),
                found: products[shape] / of.shapes[shape].1,
                expected: of.slopes[slot] * off_by,
            })
            .collect()
    }

    /// Takes what an explanation explains out of what is new.
    fn take_out(&mut self, best: &Explanation, products: &[Vec<f64>]) {
        let amplitude = best
            .slot
            .map(|slot| (slot, self.amplitude(slot, best.shape, products).0));
        for (of, products) in self.of_relations.iter_mut().zip(products) {
            let (shape, square) = &of.shapes[best.shape];
            let by = match amplitude {
                Some((slot, amplitude)) => of.slopes[slot] * amplitude,
                None if of.relation.is_of_membranes() && *square > 0.0 => {
                    products[best.shape] / square
                }
                None => 0.0,
            };
            for (new, shape) in of.new.iter_mut().zip(shape) {
                *new -= by * shape;
            }
        }
    }
}

/// More permeate than before, and no balance of flows to tell the meter from the membranes: a cleaning that nobody wrote
/// down does that too.
fn may_be_a_cleaning(column: Column, off_by: f64, evidence: &[Evidence]) -> bool {
    column == Column::PermeateFlow
        && off_by > 0.0
        && !evidence
            .iter()
            .any(|relation| relation.relation == Relation::Water.words())
}

/// Whether an instrument is off by a share of its reading: flows and salt; pressures and temperatures by as much anywhere.
fn is_share(column: Column) -> bool {
    matches!(
        column.quantity(),
        Quantity::Flow | Quantity::Concentration | Quantity::Conductivity
    )
}

/// Steps at every bin, and drifts of a few lengths.
fn shapes(bins: usize) -> Vec<Shape> {
    let lengths = [32, 16, 8, 4, 3, 2].map(|share| bins / share);
    let mut shapes = Vec::new();
    for start in 1..bins {
        shapes.push(Shape { start, end: start });
        for length in lengths {
            if length > 1 && start + length < bins {
                shapes.push(Shape {
                    start,
                    end: start + length,
                });
            }
        }
        // One that still goes on.
        if start + 2 < bins && !lengths.contains(&(bins - 1 - start)) {
            shapes.push(Shape {
                start,
                end: bins - 1,
            });
        }
    }
    shapes
}

/// The bins in which the membranes may go anywhere: they were cleaned or replaced.
fn free_places(site: &Site, starts: &[i64]) -> Vec<usize> {
    site.events
        .iter()
        .filter(|event| matches!(event.kind, EventKind::Cleaning | EventKind::Replacement))
        .flat_map(|event| {
            let at = starts.partition_point(|start| *start <= event.time_us);
            [at.saturating_sub(1), at, at + 1]
        })
        .collect()
}

/// Medians of each place; NaN where all are.
fn medians<const N: usize>(rows: &[[f64; N]]) -> [f64; N] {
    std::array::from_fn(|at| {
        let known = rows
            .iter()
            .map(|row| row[at])
            .filter(|value| value.is_finite());
        median(&mut known.collect::<Vec<f64>>())
    })
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
