//! What was chosen, on the marks of the gauges; and what the unit may truly run at when its gauges show that.

use super::Set;
use super::bounds::{Of, Run};
use super::choose::{Chosen, Problem, Recycle};
use super::gauges::Gauge;
use crate::log::Column;
use crate::membrane::operate::{Drain, Drive, Operation};
use crate::membrane::train::Train;
use crate::normalise::inputs::SaltFrom;
use crate::site::Site;

/// The gauges of a site that settings are made by.
pub(super) struct Gauges {
    pressure: Gauge,
    concentrate: Gauge,
    recycle: Gauge,
}

impl Gauges {
    pub fn of(site: &Site) -> Self {
        Self {
            pressure: Gauge::of(site, Column::FeedPressure),
            concentrate: Gauge::of(site, Column::ConcentrateFlow),
            recycle: Gauge::of(site, Column::RecycleFlow),
        }
    }

    /// What was chosen, on the marks of the gauges: pressure on the nearest one inside its limit, more concentrate rather
    /// than less, and more recycle where as little as will do was chosen.
    pub fn set(&self, problem: &Problem<'_>, chosen: &Chosen) -> (Operation, [Set; 3]) {
        let Run {
            working,
            recycle_flow,
            ..
        } = &chosen.run;
        let set = |gauge: Gauge, exact: f64, value: f64| Set {
            gauge,
            value,
            exact,
        };
        let most = problem
            .bounds
            .iter()
            .filter(|bound| bound.of == Of::FeedPressure && bound.is_high)
            .map(|bound| bound.limit)
            .fold(f64::INFINITY, f64::min);
        let exact = working.feed_pressure;
        let nearest = self.pressure.nearest(exact);
        let pressure =
            if nearest + self.pressure.doubt(nearest) <= most && chosen.stops_flow.is_empty() {
                nearest
            } else {
                self.pressure.below(exact)
            };
        let concentrate = self.concentrate.above(working.concentrate_flow);
        let recycle = match problem.recycle {
            Recycle::Least => self.recycle.above(*recycle_flow),
            _ => *recycle_flow,
        };
        let case = Operation {
            temperature: problem.temperature,
            feed_tds: problem.feed_tds,
            permeate_pressure: problem.permeate_pressure,
            recycle_flow: recycle,
            drain: Drain::ConcentrateFlow,
            drain_value: concentrate,
            drive: Drive::FeedPressure,
            drive_value: pressure,
        };
        let sets = [
            set(self.pressure, exact, pressure),
            set(self.concentrate, working.concentrate_flow, concentrate),
            set(self.recycle, *recycle_flow, recycle),
        ];
        (case, sets)
    }

    /// What the unit may really run at when its gauges show this: each of them, and what was read of the day, off by all it
    /// may be off by, either way, in every combination; first of all as shown.
    ///
    /// No water is colder or saltier than the laws know: there the corner is where they end.
    pub fn around(&self, site: &Site, train: &Train, case: &Operation) -> Vec<Operation> {
        let of_day = |column: Column, at: f64| {
            let accuracy = site
                .instruments
                .get(&column)
                .and_then(|known| known.accuracy);
            accuracy.map_or(0.0, |accuracy| accuracy.at(at))
        };
        let temperature = of_day(Column::FeedTemperature, case.temperature);
        let doubts = [
            self.pressure.doubt(case.drive_value),
            self.concentrate.doubt(case.drain_value),
            if case.recycle_flow > 0.0 {
                self.recycle.doubt(case.recycle_flow)
            } else {
                0.0
            },
            temperature,
            case.feed_tds * salt_doubt(site, case.feed_tds),
        ];
        let (coldest, warmest) = train.temperature_range();
        let (_, saltiest) = site.salinity.basis.tds_range_mg_l();
        let mut cases = vec![*case];
        for corner in 0..1 << doubts.len() {
            let off = |at: usize| {
                let sign = if corner >> at & 1 == 1 { 1.0 } else { -1.0 };
                sign * doubts[at]
            };
            cases.push(Operation {
                drive_value: case.drive_value + off(0),
                // Nothing runs backwards.
                drain_value: (case.drain_value + off(1)).max(0.0),
                recycle_flow: (case.recycle_flow + off(2)).max(0.0),
                temperature: (case.temperature + off(3)).max(coldest).min(warmest),
                feed_tds: (case.feed_tds + off(4)).max(0.0).min(saltiest),
                ..*case
            });
        }
        cases
    }
}

/// How far the day's salt may be off, as a share: its meter, and the rule that turns its conductivity into salt.
fn salt_doubt(site: &Site, tds: f64) -> f64 {
    let of = |column: Column, at: f64| {
        let accuracy = site
            .instruments
            .get(&column)
            .and_then(|known| known.accuracy);
        accuracy.map_or(0.0, |accuracy| accuracy.at(at) / at)
    };
    if tds <= 0.0 {
        return 0.0;
    }
    let (conductivity, rule) = SaltFrom::of_stream(Column::FeedTds, site);
    match rule {
        Some(rule) => {
            let (measured, _) = rule.measured_and_slope(tds);
            let of_rule = site.salinity.tds_per_conductivity.accuracy.unwrap_or(0.0);
            let of_meter = if measured > 0.0 {
                of(conductivity, measured)
            } else {
                0.0
            };
            of_meter + of_rule
        }
        None => of(Column::FeedTds, tds),
    }
}
