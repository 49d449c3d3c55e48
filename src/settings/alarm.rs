//! At what salt of the permeate somebody should be told, and when warm water alone brings it there.

use super::bounds::Run;
use super::choose::Problem;
use crate::error::Error;
use crate::log::Column;
use crate::membrane::operate::{Drain, Drive, Operation};
use crate::normalise::inputs::SaltFrom;
use crate::site::Site;

/// At what salt of the permeate somebody should be told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alarm {
    /// mg/L.
    pub permeate_tds: f64,
    /// µS/cm at 25 degC, where the site file tells how conductivity and salt hang together.
    pub permeate_conductivity: Option<f64>,
    /// The expected figures, the same two.
    pub expected: (f64, Option<f64>),
    /// Over what is expected.
    pub times: f64,
    /// The temperature at which warm water alone reaches it, at the same permeate flow and recovery; `None`: not up to the
    /// warmest that the site allows or the laws know.
    pub reached_at: Option<f64>,
}

/// Halvings of the stretch in which warm water reaches the alarm.
const HALVINGS: usize = 30;

pub(super) fn alarm(site: &Site, problem: &Problem<'_>, run: &Run) -> Result<Alarm, Error> {
    let times = site.wanted.quality_alarm;
    let expected = run.working.permeate_tds;
    let (_, rule) = SaltFrom::of_stream(Column::PermeateTds, site);
    let conductivity = |tds: f64| rule.map(|rule| rule.measured_and_slope(tds).0);
    let limit = times * expected;
    let (_, known_to) = problem.train.temperature_range();
    let allowed_to = site
        .limits
        .get(Column::FeedTemperature.name())
        .and_then(|limit| limit.high);
    let warmest = allowed_to.map_or(known_to, |high| high.min(known_to));
    let at = |temperature: f64| -> Result<f64, Error> {
        let case = Operation {
            temperature,
            feed_tds: problem.feed_tds,
            permeate_pressure: problem.permeate_pressure,
            recycle_flow: run.recycle_flow,
            drain: Drain::Recovery,
            drain_value: run.working.recovery,
            drive: Drive::PermeateFlow,
            drive_value: run.working.permeate_flow,
        };
        Ok(problem.work(&[case])?[0].working.permeate_tds)
    };
    let mut reached_at = None;
    if warmest > problem.temperature && at(warmest)? >= limit {
        let (mut low, mut high) = (problem.temperature, warmest);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if at(middle)? >= limit {
                high = middle;
            } else {
                low = middle;
            }
        }
        reached_at = Some(high);
    }
    Ok(Alarm {
        permeate_tds: limit,
        permeate_conductivity: conductivity(limit),
        expected: (expected, conductivity(expected)),
        times,
        reached_at,
    })
}
