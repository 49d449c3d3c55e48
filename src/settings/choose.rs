//! The choice of pressure, recovery and recycle: as much permeate as is wanted, at the recovery that is wanted, with the least
//! recycle, inside all limits. Permeate comes first: where not all can be had recovery gives way, then the flow.

use super::bounds::{Bound, Of, Run};
use crate::error::Error;
use crate::membrane::operate::{Drain, Drive, Operation};
use crate::membrane::train::{Membrane, Train};

/// What is asked of the pump.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Asked {
    /// So much permeate, m3/h.
    PermeateFlow(f64),
    /// A pressure, bar.
    FeedPressure(f64),
}

/// How much concentrate is returned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Recycle {
    /// The unit has no way to.
    None,
    /// So much, m3/h.
    Fixed(f64),
    /// As little as will do.
    Least,
}

/// What a day brings, what is asked, and what may not be passed.
pub(super) struct Problem<'a> {
    pub train: &'a Train,
    pub membrane: Membrane,
    pub temperature: f64,
    pub feed_tds: f64,
    pub permeate_pressure: f64,
    pub asked: Asked,
    pub recovery: f64,
    pub recycle: Recycle,
    pub bounds: Vec<Bound>,
}

/// A choice, and what kept it from more.
pub(super) struct Chosen {
    pub run: Run,
    /// What would be broken at a higher recovery, where less than wanted was chosen.
    pub stops_recovery: Vec<Of>,
    /// What would be broken with more permeate or pressure, where less than asked for was chosen.
    pub stops_flow: Vec<Of>,
}

/// Recoveries tried, each that much of the one before; down to a ninth of what is wanted.
const RECOVERY_STEP: f64 = 0.92;
const RECOVERIES: usize = 28;
/// Recycle tried, over the raw feed.
const RECYCLES: [f64; 13] = [
    0.0, 0.05, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3, 1.7, 2.3, 3.0,
];
/// What of the flow asked for is tried, one after another.
const FLOWS: [f64; 12] = [1.0, 0.95, 0.9, 0.85, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1];
/// Halvings once a step is found.
const HALVINGS: usize = 5;
/// Points between two steps of recovery or recycle.
const FINER: usize = 16;
/// Less than asked for by this share is not counted as less.
const SHORT: f64 = 1e-6;

impl Problem<'_> {
    /// The best choice with each bound kept by its margin; `None` where there is none.
    ///
    /// # Errors
    /// [`Error::Range`] for a day outside the ranges of the laws.
    pub fn choose(&self, margins: &[f64]) -> Result<Option<Chosen>, Error> {
        let mut too_much = None;
        for share in FLOWS {
            if let Some(chosen) = self.at_flow(share, margins)? {
                return self.with_more_flow(share, too_much, chosen, margins);
            }
            too_much = Some(share);
        }
        Ok(None)
    }

    /// Between a share of the flow that was too much and one that wasn't.
    fn with_more_flow(
        &self,
        share: f64,
        too_much: Option<f64>,
        mut chosen: Chosen,
        margins: &[f64],
    ) -> Result<Option<Chosen>, Error> {
        let Some(mut high) = too_much else {
            return Ok(Some(chosen));
        };
        let mut low = share;
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            match self.at_flow(middle, margins)? {
                Some(better) => {
                    chosen = better;
                    low = middle;
                }
                None => high = middle,
            }
        }
        let run = &chosen.run;
        let more = self.operation(high, run.working.recovery, run.recycle_flow);
        let more = self.runs(&[more], margins)?[0];
        chosen.stops_flow = self.broken(&more, margins);
        Ok(Some(chosen))
    }

    /// The highest recovery up to what is wanted, and the least recycle with it, at this share of the flow asked for.
    fn at_flow(&self, share: f64, margins: &[f64]) -> Result<Option<Chosen>, Error> {
        let feed_of = self.feed_flow_by_recovery(share, margins)?;
        let coarse: Vec<f64> = (0..RECOVERIES)
            .map(|step| self.recovery * RECOVERY_STEP.powi(step as i32))
            .collect();
        let recycles: Vec<f64> = match self.recycle {
            Recycle::Least => RECYCLES.to_vec(),
            _ => vec![0.0],
        };
        let Some((recovery, recycle)) = self.best(share, &coarse, &recycles, &feed_of, margins)?
        else {
            return Ok(None);
        };
        // Between this recovery and the one before it that was too high.
        let (mut at, mut by) = (coarse[recovery], recycle);
        if recovery > 0 {
            let finer = between(coarse[recovery - 1], at);
            if let Some((better, recycle)) =
                self.best(share, &finer, &recycles, &feed_of, margins)?
            {
                (at, by) = (finer[better], recycle);
            }
        }
        // Less recycle than the step found, where that does.
        let mut returned = recycles[by];
        if by > 0 {
            let mut finer = between(recycles[by - 1], returned);
            finer.push(returned);
            if let Some((_, least)) = self.best(share, &[at], &finer, &feed_of, margins)? {
                returned = finer[least];
            }
        }
        let recycle_flow = self.recycle_flow(returned, feed_of(at));
        let run = self.runs(&[self.operation(share, at, recycle_flow)], margins)?[0];
        let mut stops_recovery = Vec::new();
        if at < self.recovery * (1.0 - 1e-9) {
            let higher = (at / RECOVERY_STEP.sqrt()).min(self.recovery);
            let recycle_flow = self.recycle_flow(returned, feed_of(higher));
            let more = self.runs(&[self.operation(share, higher, recycle_flow)], margins)?[0];
            stops_recovery = self.broken(&more, margins);
        }
        let stops_flow = if share == 1.0 && self.is_short(&run) {
            vec![Of::FeedPressure]
        } else {
            Vec::new()
        };
        Ok(Some(Chosen {
            run,
            stops_recovery,
            stops_flow,
        }))
    }

    /// The first recovery, and the first recycle at it, that keep all bounds.
    fn best(
        &self,
        share: f64,
        recoveries: &[f64],
        recycles: &[f64],
        feed_of: &impl Fn(f64) -> f64,
        margins: &[f64],
    ) -> Result<Option<(usize, usize)>, Error> {
        let cases: Vec<Operation> = recoveries
            .iter()
            .flat_map(|recovery| {
                recycles.iter().map(|returned| {
                    let recycle_flow = self.recycle_flow(*returned, feed_of(*recovery));
                    self.operation(share, *recovery, recycle_flow)
                })
            })
            .collect();
        let kept = self
            .runs(&cases, margins)?
            .iter()
            .position(|run| self.broken(run, margins).is_empty());
        Ok(kept.map(|at| (at / recycles.len(), at % recycles.len())))
    }

    /// Raw feed at a recovery, about: what recycle is measured by.
    fn feed_flow_by_recovery(
        &self,
        share: f64,
        margins: &[f64],
    ) -> Result<impl Fn(f64) -> f64 + use<>, Error> {
        let permeate = match self.asked {
            Asked::PermeateFlow(flow) => share * flow,
            Asked::FeedPressure(_) => {
                let low = 0.3_f64.min(self.recovery);
                let run = self.runs(&[self.operation(share, low, 0.0)], margins)?[0];
                run.working.permeate_flow
            }
        };
        Ok(move |recovery: f64| permeate / recovery)
    }

    fn recycle_flow(&self, returned: f64, feed_flow: f64) -> f64 {
        match self.recycle {
            Recycle::None => 0.0,
            Recycle::Fixed(flow) => flow,
            Recycle::Least => returned * feed_flow,
        }
    }

    /// What is asked for, at a recovery; recycle as fixed, or none.
    pub fn asked_for(&self, recovery: f64) -> Operation {
        self.operation(1.0, recovery, self.recycle_flow(0.0, 0.0))
    }

    /// Whether a unit makes less than was asked for, or runs at less pressure.
    pub fn is_short(&self, run: &Run) -> bool {
        let share = match self.asked {
            Asked::PermeateFlow(flow) => run.working.permeate_flow / flow,
            Asked::FeedPressure(pressure) => run.working.feed_pressure / pressure,
        };
        share < 1.0 - SHORT
    }

    fn operation(&self, share: f64, recovery: f64, recycle_flow: f64) -> Operation {
        let (drive, drive_value) = match self.asked {
            Asked::PermeateFlow(flow) => (Drive::PermeateFlow, share * flow),
            Asked::FeedPressure(pressure) => (Drive::FeedPressure, share * pressure),
        };
        Operation {
            temperature: self.temperature,
            feed_tds: self.feed_tds,
            permeate_pressure: self.permeate_pressure,
            recycle_flow,
            drain: Drain::Recovery,
            drain_value: recovery,
            drive,
            drive_value,
        }
    }

    /// The highest pressure inside its limit.
    fn highest_pressure(&self, margins: &[f64]) -> f64 {
        self.bounds
            .iter()
            .zip(margins)
            .filter(|(bound, _)| bound.of == Of::FeedPressure && bound.is_high)
            .map(|(bound, margin)| bound.limit - margin)
            .fold(f64::INFINITY, f64::min)
    }

    /// What comes of each case; one that would need more than the highest pressure gets that.
    pub fn runs(&self, cases: &[Operation], margins: &[f64]) -> Result<Vec<Run>, Error> {
        let mut runs = self.work(cases)?;
        let most = self.highest_pressure(margins);
        if most.is_finite() {
            // No pressure found is too much too: what the limit allows is then the answer.
            let over: Vec<usize> = (0..cases.len())
                .filter(|at| !(runs[*at].working.feed_pressure <= most))
                .collect();
            let at_most: Vec<Operation> = over
                .iter()
                .map(|at| Operation {
                    drive: Drive::FeedPressure,
                    drive_value: most.max(0.0),
                    ..cases[*at]
                })
                .collect();
            for (at, run) in over.into_iter().zip(self.work(&at_most)?) {
                runs[at] = run;
            }
        }
        Ok(runs)
    }

    /// What comes of each case.
    pub fn work(&self, cases: &[Operation]) -> Result<Vec<Run>, Error> {
        let membranes = vec![self.membrane; cases.len()];
        let worked = self.train.work_with_extremes(&membranes, cases)?;
        Ok(worked
            .into_iter()
            .zip(cases)
            .map(|((working, extremes), case)| Run {
                working,
                extremes,
                recycle_flow: case.recycle_flow,
            })
            .collect())
    }

    /// The bounds that a run does not keep by their margins.
    fn broken(&self, run: &Run, margins: &[f64]) -> Vec<Of> {
        self.bounds
            .iter()
            .zip(margins)
            .filter(|(bound, margin)| !bound.is_kept(run, **margin))
            .map(|(bound, _)| bound.of)
            .collect()
    }
}

/// Points from the first to the second, both left out, evenly.
fn between(from: f64, to: f64) -> Vec<f64> {
    (1..FINER)
        .map(|at| from + (to - from) * at as f64 / FINER as f64)
        .collect()
}
