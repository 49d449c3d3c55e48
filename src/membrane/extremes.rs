//! What the hardest-worked elements of a unit see: what their maker's limits are held against.

use rayon::prelude::*;

use super::element::Through;
use super::operate::{D, Operation, Working, block_of, blocks_of};
use super::train::{Membrane, Train};
use crate::error::Error;

/// The extremes over all elements of a unit at work. All NaN where nothing holds together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extremes {
    /// The highest flux, L/m2/h.
    pub flux: f64,
    /// The highest recovery of one element: its permeate over its inlet flow.
    pub element_recovery: f64,
    /// The most pressure lost along one element, bar.
    pub element_differential_pressure: f64,
    /// The most feed to one vessel, m3/h.
    pub vessel_feed_flow: f64,
    /// The least concentrate that leaves one vessel, m3/h: the slowest cross-flow.
    pub vessel_concentrate_flow: f64,
}

impl Train {
    /// The unit at work as [`Train::work`] has it, and the extremes over its elements. Where salt at the membranes is above
    /// what the basis is valid for, nothing is known: the case is all NaN.
    ///
    /// # Errors
    /// [`Error::Range`], with the case, for a figure out of range.
    pub fn work_with_extremes(
        &self,
        membranes: &[Membrane],
        cases: &[Operation],
    ) -> Result<Vec<(Working, Extremes)>, Error> {
        let pairs = self.pairs(membranes, cases)?;
        let (_, most_salt) = self.basis.tds_range_mg_l();
        let worked: Vec<Vec<(Working, Extremes)>> = blocks_of(&pairs)
            .par_iter()
            .map(|pairs| {
                let (membranes, operation) = block_of(pairs);
                let mut seen = Vec::with_capacity(self.elements_in_series());
                let found = self.working(membranes, &operation, Some(&mut seen));
                (0..pairs.len())
                    .map(|case| {
                        let working = found.map(|figures| figures.0[case]);
                        if working.highest_membrane_tds <= most_salt {
                            (working, self.extremes(&seen, case, working.feed_pressure))
                        } else {
                            (working.map(|_| f64::NAN), Extremes::unknown())
                        }
                    })
                    .collect()
            })
            .collect();
        Ok(worked.into_iter().flatten().collect())
    }

    /// Of one case of a block.
    fn extremes(&self, seen: &[Through<D>], case: usize, feed_pressure: f64) -> Extremes {
        let mut most = Extremes {
            flux: 0.0,
            element_recovery: 0.0,
            element_differential_pressure: 0.0,
            vessel_feed_flow: 0.0,
            vessel_concentrate_flow: f64::INFINITY,
        };
        let mut pressure = feed_pressure;
        let mut elements = seen.iter();
        for stage in &self.stages {
            for place in 0..stage.elements_per_vessel {
                let Some(element) = elements.next() else {
                    return Extremes::unknown();
                };
                let of = |figure: &D| figure.value.0[case];
                let (permeate, out) = (of(&element.permeate_flow), of(&element.outflow.flow));
                let inlet = permeate + out;
                most.flux = most.flux.max(of(&element.flux));
                most.element_recovery = most.element_recovery.max(permeate / inlet);
                let after = of(&element.outflow.pressure);
                most.element_differential_pressure =
                    most.element_differential_pressure.max(pressure - after);
                pressure = after;
                if place == 0 {
                    most.vessel_feed_flow = most.vessel_feed_flow.max(inlet);
                }
                if place + 1 == stage.elements_per_vessel {
                    most.vessel_concentrate_flow = most.vessel_concentrate_flow.min(out);
                }
            }
        }
        most
    }
}

impl Extremes {
    fn unknown() -> Self {
        Self {
            flux: f64::NAN,
            element_recovery: f64::NAN,
            element_differential_pressure: f64::NAN,
            vessel_feed_flow: f64::NAN,
            vessel_concentrate_flow: f64::NAN,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Site;
    use crate::membrane::operate::{Drain, Drive};

    fn site() -> Site {
        let text = crate::site::TEMPLATE
            .replace("# length", "length")
            .replace("# feed_spacer", "feed_spacer")
            + "\n[[stage]]\nvessels = 1\nelements_per_vessel = 4\n";
        Site::parse(&text).unwrap()
    }

    #[test]
    fn extremes_are_those_of_the_profile() {
        let train = Train::new(&site(), None).unwrap();
        let membrane = Membrane {
            water_permeability: 4.0,
            salt_permeability: 0.12,
            spacer_friction: 1.2,
        };
        let case = |pressure: f64, recycle: f64| Operation {
            temperature: 15.0,
            feed_tds: 900.0,
            permeate_pressure: 0.3,
            recycle_flow: recycle,
            drain: Drain::ConcentrateFlow,
            drain_value: 4.0,
            drive: Drive::FeedPressure,
            drive_value: pressure,
        };
        let cases: Vec<Operation> = (0..37)
            .map(|at| case(8.0 + 0.1 * f64::from(at), f64::from(at % 3)))
            .collect();
        let found = train
            .work_with_extremes(&vec![membrane; cases.len()], &cases)
            .unwrap();
        for (case, (working, extremes)) in cases.iter().zip(found) {
            let (alone, elements) = train.profile(&membrane, case).unwrap();
            assert!((working.permeate_flow / alone.permeate_flow - 1.0).abs() < 1e-10);
            let most = |of: fn(&crate::membrane::profile::ElementAtWork) -> f64| {
                elements.iter().map(of).fold(0.0, f64::max)
            };
            let close = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-9, "{a} {b}");
            close(extremes.flux, most(|element| element.flux));
            close(extremes.element_recovery, most(|element| element.recovery));
            close(
                extremes.vessel_feed_flow,
                most(|element| element.inlet_flow),
            );
            let least = elements
                .iter()
                .filter(|element| element.element == if element.stage == 1 { 3 } else { 4 })
                .map(|element| element.concentrate_flow)
                .fold(f64::INFINITY, f64::min);
            close(extremes.vessel_concentrate_flow, least);
        }
    }

    #[test]
    fn what_does_not_hold_together_has_none() {
        let train = Train::new(&site(), None).unwrap();
        let membrane = Membrane {
            water_permeability: 4.0,
            salt_permeability: 0.12,
            spacer_friction: 1.0,
        };
        // More permeate than feed.
        let case = Operation {
            temperature: 25.0,
            feed_tds: 1000.0,
            permeate_pressure: 0.0,
            recycle_flow: 0.0,
            drain: Drain::FeedFlow,
            drain_value: 4.0,
            drive: Drive::PermeateFlow,
            drive_value: 5.0,
        };
        let (working, extremes) = train.work_with_extremes(&[membrane], &[case]).unwrap()[0];
        assert!(working.permeate_flow.is_nan() && extremes.flux.is_nan());
    }
}
