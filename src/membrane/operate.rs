//! A unit at work: the flows, pressures and salt that hold together, recycle and all.

use rayon::prelude::*;

use super::element::Through;
use super::train::{BLOCK, Figures, Fluxes, Inlet, Made, Membrane, Train};
use crate::error::{Error, within};
use crate::number::{Dual, Lanes, Number, SideBySide};

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

/// Steps of Newton's method; five to eight are usual.
const MOST_STEPS: usize = 60;
/// A step this small, as a share, is the last.
const SMALLEST_STEP: f64 = 1e-12;

/// Pressures for which the model is meant, bar.
const PRESSURE_BAR: (f64, f64) = (0.0, 200.0);
const FLOW_M3_H: (f64, f64) = (0.0, 1e6);

impl Train {
    /// The unit at work, for many cases, each with its membrane, on all processors.
    ///
    /// A case is all NaN where nothing holds together: no flux agrees with its driving pressure, as where feed pressure
    /// is below osmotic pressure, or more permeate than feed would be needed. Water and salt balances close to 1e-10.
    ///
    /// # Errors
    /// [`Error::Range`], with the case, for a figure out of range, or salt at the membranes above what the basis is valid for.
    ///
    /// ```
    /// use brinemark::membrane::operate::{Drain, Drive, Operation};
    /// use brinemark::membrane::train::{Membrane, Train};
    /// let text = brinemark::site::TEMPLATE
    ///     .replace("# length", "length").replace("# feed_spacer", "feed_spacer");
    /// let train = Train::new(&brinemark::Site::parse(&text)?, None)?;
    /// let membrane = Membrane { water_permeability: 4.0, salt_permeability: 0.12, spacer_friction: 1.0 };
    /// let case = Operation {
    ///     temperature: 25.0, feed_tds: 1000.0, permeate_pressure: 0.3, recycle_flow: 0.0,
    ///     drain: Drain::ConcentrateFlow, drain_value: 5.0, drive: Drive::FeedPressure, drive_value: 12.0,
    /// };
    /// let made = train.work(&[membrane], &[case])?[0];
    /// assert!((8.0..9.0).contains(&made.permeate_flow));
    /// assert!((made.permeate_flow + made.concentrate_flow - made.feed_flow).abs() < 1e-9);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn work(&self, membranes: &[Membrane], cases: &[Operation]) -> Result<Vec<Working>, Error> {
        let pairs = self.pairs(membranes, cases)?;
        let blocks = blocks_of(&pairs);
        let worked: Vec<Vec<Working>> = blocks
            .par_iter()
            .map(|pairs| {
                let (membranes, operation) = block_of(pairs);
                let found = self.working(membranes, &operation, None);
                (0..pairs.len())
                    .map(|i| found.map(|Lanes(figures)| figures[i]))
                    .collect()
            })
            .collect();
        let worked: Vec<Working> = worked.into_iter().flatten().collect();
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

    /// Each case with its membrane, once all of them are within range.
    pub(super) fn pairs(
        &self,
        membranes: &[Membrane],
        cases: &[Operation],
    ) -> Result<Vec<(Membrane, Operation)>, Error> {
        let mut pairs = Vec::with_capacity(cases.len());
        for (row, case) in cases.iter().enumerate() {
            // A case without a membrane of its own has none that is known.
            let membrane = membranes
                .get(row)
                .copied()
                .unwrap_or(Membrane::of(f64::NAN));
            check_membrane(&membrane)
                .and_then(|()| self.check_operation(case))
                .map_err(|error| error.at_row(row as u64 + 1))?;
            pairs.push((membrane, *case));
        }
        Ok(pairs)
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
        let of_stopped: Vec<Membrane> = stopped
            .iter()
            .filter_map(|row| membranes.get(*row).copied())
            .collect();
        let mut worked: Vec<(Working, bool)> = free.into_iter().map(|case| (case, false)).collect();
        for (row, case) in stopped.into_iter().zip(self.work(&of_stopped, &at_limit)?) {
            worked[row] = (case, true);
        }
        Ok(worked)
    }

    /// Feed temperatures for which all the laws hold, degC.
    pub fn temperature_range(&self) -> (f64, f64) {
        [self.salt_law.range(), self.basis.temperature_range_degc()]
            .into_iter()
            .fold(self.law.range(), |(low, high), range| {
                (low.max(range.0), high.min(range.1))
            })
    }

    /// Refuses a temperature or salt out of the range of the laws.
    pub(crate) fn check(&self, temperature: f64, tds: f64) -> Result<(), Error> {
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
    pub(super) fn working(
        &self,
        membrane: Membrane<Figures>,
        at: &Operation<Figures>,
        mut seen: Option<&mut Vec<Through<D>>>,
    ) -> Working<Figures> {
        let mut fluxes = Fluxes::of(self);
        let mut unknown = self.first_guess(&membrane, at);
        if seen.is_none() && at.is_known_at_the_inlet() {
            // Nothing to be found but what comes out.
            let inlet = at.inlet(&unknown);
            let osmotic = Lanes::constant(1.0);
            let made = self.pass(&membrane, &inlet, osmotic, &mut fluxes, None);
            let holds = made.permeate_tds.0.map(|tds| !tds.is_nan());
            return Working::found(at, &unknown, &made).where_true(&holds);
        }
        let fixed = membrane.map(D::fixed);
        let mut working = Working::of(Lanes::constant(f64::NAN));
        for _ in 0..MOST_STEPS {
            let inlet = Inlet {
                pressure: D::variable(unknown[2], 2),
                flow: D::variable(unknown[0], 0),
                tds: D::variable(unknown[1], 1),
                ..at.inlet(&unknown).map(D::fixed)
            };
            if let Some(seen) = &mut seen {
                seen.clear();
            }
            let osmotic = D::constant(1.0);
            let made = self.pass(&fixed, &inlet, osmotic, &mut fluxes, seen.as_deref_mut());
            let misfits = misfits(at, &inlet, &made);
            let (mut settled, mut holds) = (true, [true; BLOCK]);
            for i in 0..BLOCK {
                let step = solve(misfits.map(|misfit| misfit.one(i)));
                for (unknown, step) in unknown.iter_mut().zip(step) {
                    let value = unknown.0[i];
                    // No more than half down or double up at once: all three are above zero.
                    let next = (value - step).max(0.5 * value).min(2.0 * value);
                    let next = if step.is_nan() { step } else { next };
                    holds[i] &= (next - value).abs() <= SMALLEST_STEP * value;
                    settled &= !((next - value).abs() > SMALLEST_STEP * value);
                    unknown.0[i] = next;
                }
            }
            working = Working::found(at, &unknown, &made.map(D::figure)).where_true(&holds);
            if settled {
                break;
            }
        }
        working
    }

    /// Where the search starts: the recovery that an even flux would give, no polarisation.
    fn first_guess(&self, membrane: &Membrane<Figures>, at: &Operation<Figures>) -> [Figures; 3] {
        let area = self.area_m2();
        let [factor] = self.law.factors(&[at.temperature]);
        let none = Lanes::constant(0.0);
        let ([osmotic], _) =
            self.basis
                .osmotic_pressures(&[at.temperature], &[at.feed_tds], &[none]);
        let passes = membrane.water_permeability * factor * (1e-3 * area);
        let least =
            |figure: Figures, least: Figures| (figure - least).choose_below(0.0, least, figure);
        let (permeate, pressure) = match at.drive {
            Drive::PermeateFlow => {
                let driving = at.drive_value / passes;
                let pressure = driving * 1.3 + at.permeate_pressure + osmotic * 2.0;
                (at.drive_value, pressure)
            }
            Drive::FeedPressure => {
                let driving = at.drive_value - at.permeate_pressure - osmotic * 1.3;
                let driving = least(driving, at.drive_value * 0.1);
                (passes * driving, at.drive_value)
            }
        };
        let (feed, permeate) = match at.drain {
            Drain::FeedFlow => {
                let half = at.drain_value * 0.5;
                (at.drain_value, -least(-permeate, -half))
            }
            Drain::ConcentrateFlow => (at.drain_value + permeate, permeate),
            Drain::Recovery => (permeate / at.drain_value, permeate),
        };
        let inlet = feed + at.recycle_flow;
        let more = at.recycle_flow / inlet * permeate / least(feed - permeate, feed * 0.1);
        [inlet, at.feed_tds * (more + 1.0), pressure]
    }
}

impl Operation<Figures> {
    /// Whether flow, salt and pressure at the membranes' inlet are what is set, without more ado.
    fn is_known_at_the_inlet(&self) -> bool {
        let Lanes(recycle) = self.recycle_flow;
        let set = (self.drain, self.drive) == (Drain::FeedFlow, Drive::FeedPressure);
        set && recycle.iter().all(|flow| *flow == 0.0)
    }

    /// The membranes' inlet at this flow, salt and pressure.
    fn inlet(&self, [flow, tds, pressure]: &[Figures; 3]) -> Inlet<Figures> {
        Inlet {
            temperature: self.temperature,
            pressure: *pressure,
            flow: *flow,
            tds: *tds,
            permeate_pressure: self.permeate_pressure,
        }
    }
}

/// A figure of each case, with its derivatives by inlet flow, inlet salt and feed pressure.
pub(super) type D = Dual<3, Figures>;

impl<T: Copy> Working<T> {
    /// All figures the same.
    pub(super) fn of(figure: T) -> Self {
        Self {
            feed_pressure: figure,
            feed_flow: figure,
            inlet_flow: figure,
            inlet_tds: figure,
            permeate_flow: figure,
            permeate_tds: figure,
            concentrate_flow: figure,
            concentrate_tds: figure,
            concentrate_pressure: figure,
            recovery: figure,
            pass_recovery: figure,
            highest_membrane_tds: figure,
        }
    }

    /// Each figure as another.
    pub(super) fn map<U>(&self, of: impl Fn(T) -> U) -> Working<U> {
        Working {
            feed_pressure: of(self.feed_pressure),
            feed_flow: of(self.feed_flow),
            inlet_flow: of(self.inlet_flow),
            inlet_tds: of(self.inlet_tds),
            permeate_flow: of(self.permeate_flow),
            permeate_tds: of(self.permeate_tds),
            concentrate_flow: of(self.concentrate_flow),
            concentrate_tds: of(self.concentrate_tds),
            concentrate_pressure: of(self.concentrate_pressure),
            recovery: of(self.recovery),
            pass_recovery: of(self.pass_recovery),
            highest_membrane_tds: of(self.highest_membrane_tds),
        }
    }
}

impl Working<Figures> {
    fn found(
        at: &Operation<Figures>,
        [inlet, tds, pressure]: &[Figures; 3],
        made: &Made<Figures>,
    ) -> Self {
        let (permeate, feed) = (made.permeate_flow, *inlet - at.recycle_flow);
        Self {
            feed_pressure: *pressure,
            feed_flow: feed,
            inlet_flow: *inlet,
            inlet_tds: *tds,
            permeate_flow: permeate,
            permeate_tds: made.permeate_tds,
            concentrate_flow: made.concentrate_flow - at.recycle_flow,
            concentrate_tds: made.concentrate_tds,
            concentrate_pressure: made.concentrate_pressure,
            recovery: permeate / feed,
            pass_recovery: permeate / *inlet,
            highest_membrane_tds: made.highest_membrane_tds,
        }
    }

    /// NaN where a case does not hold together (yet).
    fn where_true(&self, holds: &[bool; BLOCK]) -> Self {
        self.map(|Lanes(figures)| {
            Lanes(std::array::from_fn(|i| {
                if holds[i] { figures[i] } else { f64::NAN }
            }))
        })
    }
}

/// Refuses what no membrane is.
fn check_membrane(membrane: &Membrane) -> Result<(), Error> {
    const PERMEABILITY: (f64, f64) = (1e-15, 1000.0);
    within(
        "water_permeability",
        membrane.water_permeability,
        PERMEABILITY,
        " L/m2/h/bar",
    )?;
    within(
        "salt_permeability",
        membrane.salt_permeability,
        PERMEABILITY,
        " L/m2/h",
    )?;
    within(
        "spacer_friction",
        membrane.spacer_friction,
        (0.0, 1000.0),
        "",
    )
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

/// The cases in blocks: side by side go those that are set in the same way.
pub(super) fn blocks_of(pairs: &[(Membrane, Operation)]) -> Vec<&[(Membrane, Operation)]> {
    pairs
        .chunk_by(|(_, a), (_, b)| (a.drain, a.drive) == (b.drain, b.drive))
        .flat_map(|alike| alike.chunks(BLOCK))
        .collect()
}

/// Cases and their membranes as a block; the last block fills up with its first case: worked out again, returned once.
pub(super) fn block_of(pairs: &[(Membrane, Operation)]) -> (Membrane<Figures>, Operation<Figures>) {
    let pair = |i: usize| pairs.get(i).unwrap_or(&pairs[0]);
    let (case, membrane) = (|i: usize| &pair(i).1, |i: usize| &pair(i).0);
    let of = |figure: fn(&Operation) -> f64| Lanes(std::array::from_fn(|i| figure(case(i))));
    let membranes = Membrane {
        water_permeability: Lanes(std::array::from_fn(|i| membrane(i).water_permeability)),
        salt_permeability: Lanes(std::array::from_fn(|i| membrane(i).salt_permeability)),
        spacer_friction: Lanes(std::array::from_fn(|i| membrane(i).spacer_friction)),
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

/// By how much the cases do not hold together: flows, salt, pump.
fn misfits(at: &Operation<Figures>, inlet: &Inlet<D>, made: &Made<D>) -> [D; 3] {
    let recycle = D::fixed(at.recycle_flow);
    let feed = inlet.flow - recycle;
    let set = D::fixed(at.drain_value);
    let flows = match at.drain {
        Drain::FeedFlow => feed - set,
        Drain::ConcentrateFlow => feed - made.permeate_flow - set,
        Drain::Recovery => made.permeate_flow / set - feed,
    };
    let salt =
        inlet.flow * inlet.tds - feed * D::fixed(at.feed_tds) - made.concentrate_tds * recycle;
    let set = D::fixed(at.drive_value);
    let pump = match at.drive {
        Drive::FeedPressure => inlet.pressure - set,
        Drive::PermeateFlow => made.permeate_flow - set,
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
