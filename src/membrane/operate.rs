//! A unit at work: the flows, pressures and salt that hold together, recycle and all.

use rayon::prelude::*;

use super::element::Through;
use super::train::{BLOCK, Fluxes, Inlet, Made, Membrane, Train};
use crate::error::{Error, within};
use crate::number::{Dual, Number};

/// What is set and what the water is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Operation<T = f64> {
    /// Feed temperature, degC.
    pub temperature: T,
    /// Salt in the raw feed, mg/L.
    pub feed_tds: T,
    /// Permeate pressure, bar.
    pub permeate_pressure: T,
    /// Concentrate returned ahead of the membranes, m3/h.
    pub recycle_flow: T,
    /// What the concentrate valve is set for.
    pub drain: Drain,
    /// The figure of it.
    pub drain_value: T,
    /// What the pump is set for.
    pub drive: Drive,
    /// The figure of it.
    pub drive_value: T,
}

/// What the concentrate valve is set for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drain {
    /// Raw feed flow, m3/h.
    FeedFlow,
    /// Concentrate that leaves the unit, m3/h.
    ConcentrateFlow,
    /// Permeate flow over raw feed flow.
    Recovery,
}

/// What the pump is set for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drive {
    /// Pressure at the membranes' inlet, bar.
    FeedPressure,
    /// Permeate flow, m3/h.
    PermeateFlow,
}

/// A unit at work. All NaN where nothing holds together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Working<T = f64> {
    /// Pressure at the membranes' inlet, bar.
    pub feed_pressure: T,
    /// Raw feed, m3/h.
    pub feed_flow: T,
    /// At the membranes' inlet, m3/h.
    pub inlet_flow: T,
    /// At the membranes' inlet, mg/L.
    pub inlet_tds: T,
    /// m3/h.
    pub permeate_flow: T,
    /// mg/L.
    pub permeate_tds: T,
    /// What leaves the unit, m3/h.
    pub concentrate_flow: T,
    /// mg/L.
    pub concentrate_tds: T,
    /// bar.
    pub concentrate_pressure: T,
    /// Permeate over raw feed.
    pub recovery: T,
    /// Permeate over inlet flow.
    pub pass_recovery: T,
    /// The most salt at any membrane, mg/L.
    pub highest_membrane_tds: T,
}

/// One element of a unit at work; of a stage's vessels all alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ElementAtWork {
    /// The stage, from 1.
    pub stage: usize,
    /// The place in its vessel, from 1.
    pub element: usize,
    /// L/m2/h.
    pub flux: f64,
    /// m3/h.
    pub inlet_flow: f64,
    /// m3/h.
    pub permeate_flow: f64,
    /// mg/L.
    pub permeate_tds: f64,
    /// m3/h.
    pub concentrate_flow: f64,
    /// mg/L.
    pub concentrate_tds: f64,
    /// bar.
    pub concentrate_pressure: f64,
    /// Its permeate over its inlet flow.
    pub recovery: f64,
    /// Salt at the membrane over salt in its mean flow.
    pub polarisation: f64,
}

/// Steps of Newton's method; five to eight are usual.
const MOST_STEPS: usize = 60;
/// A step this small, as a share, is the last.
const SMALLEST_STEP: f64 = 1e-12;

/// Pressures for which the model is meant, bar.
const PRESSURE_BAR: (f64, f64) = (0.0, 200.0);
const FLOW_M3_H: (f64, f64) = (0.0, 1e6);

impl Train {
    /// The unit at work, for many cases of one kind (all with the same `drain` and `drive`), on all processors.
    ///
    /// A case is all NaN where nothing holds together: no flux agrees with its driving pressure, as where feed pressure
    /// is below osmotic pressure, or more permeate than feed would be needed. Water and salt balances close to 1e-10.
    ///
    /// # Errors
    /// [`Error::Range`], with the case, for a figure out of range, or salt at the membranes above what the basis is valid for.
    pub fn work(&self, membranes: &[Membrane], cases: &[Operation]) -> Result<Vec<Working>, Error> {
        for (row, case) in cases.iter().enumerate() {
            self.check_operation(case)
                .map_err(|error| error.at_row(row as u64 + 1))?;
        }
        let blocks: Vec<Working<[f64; BLOCK]>> = cases
            .par_chunks(BLOCK)
            .zip(membranes.par_chunks(BLOCK))
            .map(|(cases, membranes)| {
                let (membranes, operation) = block_of(membranes, cases);
                self.working(&membranes, &operation, None)
            })
            .collect();
        let worked: Vec<Working> = (0..cases.len())
            .map(|row| blocks[row / BLOCK].at(row % BLOCK))
            .collect();
        let (low, high) = self.basis.tds_range_mg_l();
        for (row, case) in worked.iter().enumerate() {
            within(
                "salt at the membranes",
                case.highest_membrane_tds,
                (low, high),
                " mg/L",
            )
            .map_err(|error| error.at_row(row as u64 + 1))?;
        }
        Ok(worked)
    }

    /// The same, and never above a feed pressure in bar: a case that would need more is worked out at that pressure
    /// instead. Beside each case stands whether the limit stopped it.
    ///
    /// # Errors
    /// As [`Train::work`].
    pub fn work_within(
        &self,
        membranes: &[Membrane],
        cases: &[Operation],
        limit_bar: f64,
    ) -> Result<Vec<(Working, bool)>, Error> {
        within("pressure_limit", limit_bar, PRESSURE_BAR, " bar")?;
        let free = self.work(membranes, cases)?;
        let stopped: Vec<usize> = (0..cases.len())
            // No pressure found is stopped too: what the limit allows is then the answer.
            .filter(|row| !(free[*row].feed_pressure <= limit_bar) && cases[*row].is_known())
            .collect();
        let at_limit: Vec<Operation> = stopped
            .iter()
            .map(|row| Operation {
                drive: Drive::FeedPressure,
                drive_value: limit_bar,
                ..cases[*row]
            })
            .collect();
        let of_stopped: Vec<Membrane> = stopped.iter().map(|row| membranes[*row]).collect();
        let mut worked: Vec<(Working, bool)> = free.into_iter().map(|case| (case, false)).collect();
        for (row, case) in stopped.into_iter().zip(self.work(&of_stopped, &at_limit)?) {
            worked[row] = (case, true);
        }
        Ok(worked)
    }

    /// One case, element by element in the order the concentrate runs.
    ///
    /// # Errors
    /// As [`Train::work`].
    pub fn profile(
        &self,
        membrane: &Membrane,
        case: &Operation,
    ) -> Result<(Working, Vec<ElementAtWork>), Error> {
        let worked = self.work(&[*membrane], &[*case])?;
        let (membranes, operation) = block_of(&[*membrane], &[*case]);
        let mut seen = Vec::new();
        self.working(&membranes, &operation, Some(&mut seen));
        let mut places = self.stages.iter().enumerate().flat_map(|(stage, of)| {
            (0..of.elements_per_vessel as usize).map(move |element| (stage + 1, element + 1))
        });
        let elements = seen
            .iter()
            .map(|throughs| {
                let through = &throughs[0];
                let (stage, element) = places.next().unwrap_or_default();
                let (permeate, out) = (through.permeate_flow.value, &through.outflow);
                let inlet = out.flow.value + permeate;
                ElementAtWork {
                    stage,
                    element,
                    flux: through.flux.value,
                    inlet_flow: inlet,
                    permeate_flow: permeate,
                    permeate_tds: through.permeate_tds.value,
                    concentrate_flow: out.flow.value,
                    concentrate_tds: out.tds.value,
                    concentrate_pressure: out.pressure.value,
                    recovery: permeate / inlet,
                    polarisation: through.membrane_tds.value / through.mean_tds.value,
                }
            })
            .collect();
        Ok((worked[0], elements))
    }

    /// Refuses a temperature or salt out of the range of the laws.
    pub(super) fn check(&self, temperature: f64, tds: f64) -> Result<(), Error> {
        for range in [
            self.law.range(),
            self.salt_law.range(),
            self.basis.temperature_range_degc(),
        ] {
            within("feed_temperature", temperature, range, " degC")?;
        }
        within("feed_tds", tds, self.basis.tds_range_mg_l(), " mg/L")
    }

    fn check_operation(&self, case: &Operation) -> Result<(), Error> {
        self.check(case.temperature, case.feed_tds)?;
        within(
            "permeate_pressure",
            case.permeate_pressure,
            PRESSURE_BAR,
            " bar",
        )?;
        within("recycle_flow", case.recycle_flow, FLOW_M3_H, " m3/h")?;
        match case.drain {
            Drain::FeedFlow => within("feed_flow", case.drain_value, FLOW_M3_H, " m3/h")?,
            Drain::ConcentrateFlow => {
                within("concentrate_flow", case.drain_value, FLOW_M3_H, " m3/h")?;
            }
            Drain::Recovery => within("recovery", case.drain_value, (1e-6, 0.99), "")?,
        }
        match case.drive {
            Drive::FeedPressure => within("feed_pressure", case.drive_value, PRESSURE_BAR, " bar"),
            Drive::PermeateFlow => within("permeate_flow", case.drive_value, FLOW_M3_H, " m3/h"),
        }
    }

    /// The unit at work, for a block of cases of one kind.
    ///
    /// Inlet flow, inlet salt and feed pressure are found together by Newton's method with exact derivatives, from
    /// Qin = Qf + Qr, Qin Cin = Qf Cf + Qr Cc, and what valve and pump are set for. `seen`, if given, gets every element.
    fn working(
        &self,
        membrane: &Membrane<[f64; BLOCK]>,
        at: &Operation<[f64; BLOCK]>,
        mut seen: Option<&mut Vec<[Through<Dual<3>>; BLOCK]>>,
    ) -> Working<[f64; BLOCK]> {
        type D = Dual<3>;
        let constant = |figures: &[f64; BLOCK]| figures.map(D::constant);
        let variable =
            |figures: &[f64; BLOCK], slot: usize| figures.map(|figure| D::variable(figure, slot));
        let fixed = Membrane {
            water_permeability: constant(&membrane.water_permeability),
            salt_permeability: constant(&membrane.salt_permeability),
            spacer_friction: constant(&membrane.spacer_friction),
        };
        let mut fluxes = Fluxes::of(self);
        let mut unknown = self.first_guess(membrane, at);
        let nan = [f64::NAN; BLOCK];
        let mut working = Working {
            feed_pressure: nan,
            feed_flow: nan,
            inlet_flow: nan,
            inlet_tds: nan,
            permeate_flow: nan,
            permeate_tds: nan,
            concentrate_flow: nan,
            concentrate_tds: nan,
            concentrate_pressure: nan,
            recovery: nan,
            pass_recovery: nan,
            highest_membrane_tds: nan,
        };
        for _ in 0..MOST_STEPS {
            let inlet = Inlet {
                temperature: constant(&at.temperature),
                pressure: variable(&unknown[2], 2),
                flow: variable(&unknown[0], 0),
                tds: variable(&unknown[1], 1),
                permeate_pressure: constant(&at.permeate_pressure),
            };
            if let Some(seen) = &mut seen {
                seen.clear();
            }
            let made = self.pass(
                &fixed,
                &inlet,
                D::constant(1.0),
                &mut fluxes,
                seen.as_deref_mut(),
            );
            let mut settled = true;
            for i in 0..BLOCK {
                let step = solve(misfits(at, i, &inlet, &made));
                let mut holds = true;
                for (unknown, step) in unknown.iter_mut().zip(step) {
                    let value = unknown[i];
                    // No more than half down or double up at once: all three are above zero.
                    let next = (value - step).max(0.5 * value).min(2.0 * value);
                    holds &= (next - value).abs() <= SMALLEST_STEP * value;
                    settled &= !((next - value).abs() > SMALLEST_STEP * value);
                    unknown[i] = if step.is_nan() { f64::NAN } else { next };
                }
                working.keep(i, at, &unknown, &made, holds);
            }
            if settled {
                break;
            }
        }
        working
    }

    /// Where the search starts: the recovery that an even flux would give, no polarisation.
    fn first_guess(
        &self,
        membrane: &Membrane<[f64; BLOCK]>,
        at: &Operation<[f64; BLOCK]>,
    ) -> [[f64; BLOCK]; 3] {
        let area = self.area_m2();
        let factors = self.law.factors(&at.temperature);
        let (osmotic, _) =
            self.basis
                .osmotic_pressures(&at.temperature, &at.feed_tds, &[0.0; BLOCK]);
        let mut unknown = [[f64::NAN; BLOCK]; 3];
        for i in 0..BLOCK {
            let passes = membrane.water_permeability[i] * factors[i];
            let (permeate, pressure) = match at.drive {
                Drive::PermeateFlow => {
                    let permeate = at.drive_value[i];
                    let driving = 1000.0 * permeate / (area * passes);
                    let osmotic = 2.0 * osmotic[i];
                    (permeate, 1.3 * driving + at.permeate_pressure[i] + osmotic)
                }
                Drive::FeedPressure => {
                    let driving = (at.drive_value[i] - at.permeate_pressure[i] - 1.3 * osmotic[i])
                        .max(0.1 * at.drive_value[i]);
                    (1e-3 * area * passes * driving, at.drive_value[i])
                }
            };
            let (feed, permeate) = match at.drain {
                Drain::FeedFlow => (at.drain_value[i], permeate.min(0.5 * at.drain_value[i])),
                Drain::ConcentrateFlow => (at.drain_value[i] + permeate, permeate),
                Drain::Recovery => (permeate / at.drain_value[i], permeate),
            };
            let recycle = at.recycle_flow[i];
            unknown[0][i] = feed + recycle;
            unknown[1][i] = at.feed_tds[i]
                * (1.0 + recycle / (feed + recycle) * permeate / (feed - permeate).max(0.1 * feed));
            unknown[2][i] = pressure;
        }
        unknown
    }
}

impl Working<[f64; BLOCK]> {
    /// Keeps what was found for one case; NaN where it does not hold together (yet).
    fn keep(
        &mut self,
        i: usize,
        at: &Operation<[f64; BLOCK]>,
        unknown: &[[f64; BLOCK]; 3],
        made: &Made<[Dual<3>; BLOCK]>,
        holds: bool,
    ) {
        let of = |figure: f64| if holds { figure } else { f64::NAN };
        let permeate = made.permeate_flow[i].value;
        let recycle = at.recycle_flow[i];
        let (inlet, feed) = (unknown[0][i], unknown[0][i] - recycle);
        self.feed_pressure[i] = of(unknown[2][i]);
        self.feed_flow[i] = of(feed);
        self.inlet_flow[i] = of(inlet);
        self.inlet_tds[i] = of(unknown[1][i]);
        self.permeate_flow[i] = of(permeate);
        self.permeate_tds[i] = of(made.permeate_tds[i].value);
        self.concentrate_flow[i] = of(made.concentrate_flow[i].value - recycle);
        self.concentrate_tds[i] = of(made.concentrate_tds[i].value);
        self.concentrate_pressure[i] = of(made.concentrate_pressure[i].value);
        self.recovery[i] = of(permeate / feed);
        self.pass_recovery[i] = of(permeate / inlet);
        self.highest_membrane_tds[i] = of(made.highest_membrane_tds[i].value);
    }

    fn at(&self, i: usize) -> Working {
        Working {
            feed_pressure: self.feed_pressure[i],
            feed_flow: self.feed_flow[i],
            inlet_flow: self.inlet_flow[i],
            inlet_tds: self.inlet_tds[i],
            permeate_flow: self.permeate_flow[i],
            permeate_tds: self.permeate_tds[i],
            concentrate_flow: self.concentrate_flow[i],
            concentrate_tds: self.concentrate_tds[i],
            concentrate_pressure: self.concentrate_pressure[i],
            recovery: self.recovery[i],
            pass_recovery: self.pass_recovery[i],
            highest_membrane_tds: self.highest_membrane_tds[i],
        }
    }
}

impl Operation {
    fn is_known(&self) -> bool {
        let sum = self.temperature
            + self.feed_tds
            + self.permeate_pressure
            + self.recycle_flow
            + self.drain_value
            + self.drive_value;
        !sum.is_nan()
    }
}

/// Cases and their membranes as a block; the last block fills up with its first case: worked out again, returned once.
fn block_of(
    membranes: &[Membrane],
    cases: &[Operation],
) -> (Membrane<[f64; BLOCK]>, Operation<[f64; BLOCK]>) {
    let case = |i: usize| cases.get(i).unwrap_or(&cases[0]);
    let membrane = |i: usize| membranes.get(i).unwrap_or(&membranes[0]);
    let of = |figure: fn(&Operation) -> f64| -> [f64; BLOCK] {
        std::array::from_fn(|i| figure(case(i)))
    };
    let membranes = Membrane {
        water_permeability: std::array::from_fn(|i| membrane(i).water_permeability),
        salt_permeability: std::array::from_fn(|i| membrane(i).salt_permeability),
        spacer_friction: std::array::from_fn(|i| membrane(i).spacer_friction),
    };
    let operation = Operation {
        temperature: of(|case| case.temperature),
        feed_tds: of(|case| case.feed_tds),
        permeate_pressure: of(|case| case.permeate_pressure),
        recycle_flow: of(|case| case.recycle_flow),
        drain: case(0).drain,
        drain_value: of(|case| case.drain_value),
        drive: case(0).drive,
        drive_value: of(|case| case.drive_value),
    };
    (membranes, operation)
}

/// By how much a case does not hold together: flows, salt, pump.
#[inline(always)]
fn misfits(
    at: &Operation<[f64; BLOCK]>,
    i: usize,
    inlet: &Inlet<[Dual<3>; BLOCK]>,
    made: &Made<[Dual<3>; BLOCK]>,
) -> [Dual<3>; 3] {
    let recycle = at.recycle_flow[i];
    let feed = inlet.flow[i] - recycle;
    let set = at.drain_value[i];
    let flows = match at.drain {
        Drain::FeedFlow => feed - set,
        Drain::ConcentrateFlow => feed - made.permeate_flow[i] - set,
        Drain::Recovery => made.permeate_flow[i] / set - feed,
    };
    let salt =
        inlet.flow[i] * inlet.tds[i] - feed * at.feed_tds[i] - made.concentrate_tds[i] * recycle;
    let pump = match at.drive {
        Drive::FeedPressure => inlet.pressure[i] - at.drive_value[i],
        Drive::PermeateFlow => made.permeate_flow[i] - at.drive_value[i],
    };
    [flows, salt, pump]
}

/// The step of Newton's method: three linear equations, by Cramer's rule on scaled rows; NaN where they are singular.
#[inline(always)]
pub(super) fn solve(off: [Dual<3>; 3]) -> [f64; 3] {
    let [a, b, c] = off.map(|row| row.slopes);
    let [p, q, r] = off.map(|row| row.value);
    let minor = |x: [f64; 3], y: [f64; 3], j: usize, k: usize| x[j] * y[k] - x[k] * y[j];
    let whole = a[0] * minor(b, c, 1, 2) - a[1] * minor(b, c, 0, 2) + a[2] * minor(b, c, 0, 1);
    let first = p * minor(b, c, 1, 2) - a[1] * (q * c[2] - b[2] * r) + a[2] * (q * c[1] - b[1] * r);
    let second =
        a[0] * (q * c[2] - b[2] * r) - p * minor(b, c, 0, 2) + a[2] * (b[0] * r - q * c[0]);
    let third = a[0] * (b[1] * r - q * c[1]) - a[1] * (b[0] * r - q * c[0]) + p * minor(b, c, 0, 1);
    [first / whole, second / whole, third / whole]
}
